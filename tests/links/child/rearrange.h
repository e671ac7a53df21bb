/* Payload octets, lane by lane, into port words, clock by clock: bit k of a word is what
 * lane k carries.  In a file of its own, so that golden vectors can try it alone. */

static void rearrange(const uint8_t *payload, uint8_t *words)
{
    for (unsigned clock = 0; clock < BOLLARDS_BURST_WORDS; clock++) {
        unsigned word = 0;
        for (unsigned lane = 0; lane < BOLLARDS_LANES; lane++) {
            unsigned octet = payload[lane * BOLLARDS_LANE_OCTETS + clock / 8];
            word |= ((octet >> (7 - clock % 8)) & 1U) << lane;
        }
        words[clock] = (uint8_t)word;
    }
}
