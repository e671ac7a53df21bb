/* A host build of splitter firmware: bus octets on standard input, sighting lines on
 * standard output.  Format, check and addresses come from bollards.h, which
 *     nightbench header profile.toml -o bollards.h
 * writes, so that firmware and bench have one source.  C99. */

#include <stdio.h>

#include "bollards.h"
#include "rearrange.h"

static const uint8_t marker[] = BOLLARDS_MARKER_LIST;
static uint8_t packet[BOLLARDS_PACKET_LONGEST_OCTETS];
static size_t have; /* octets of the packet that is being received */

static int is_for(uint8_t address, uint8_t node)
{
    return address == node || address == BOLLARDS_BROADCAST_0;
}

/* Clock a payload's port words out; the bench is told what the chains hold then. */
static void show(uint8_t node, const uint8_t *payload)
{
    uint8_t words[BOLLARDS_BURST_WORDS], chains[BOLLARDS_BURST_OCTETS] = {0};
    rearrange(payload, words);
    for (unsigned k = 0; k < BOLLARDS_BURST_WORDS * BOLLARDS_LANES; k++) {
        unsigned clock = k / BOLLARDS_LANES, lane = k % BOLLARDS_LANES;
        if (words[clock] >> lane & 1)
            chains[lane * BOLLARDS_LANE_OCTETS + clock / 8] |= 0x80 >> clock % 8;
    }
    printf("shown node=%u octets=", node);
    for (size_t k = 0; k < BOLLARDS_BURST_OCTETS; k++)
        printf("%02X", chains[k]);
    printf(" clocks=%u\n", BOLLARDS_BURST_CLOCKS);
}

/* A whole packet, or one that cannot become one any more, is over. */
static void finish(const char *fault)
{
    const uint8_t nodes[] = {BOLLARDS_NODE_UPPER_ADDRESS, BOLLARDS_NODE_LOWER_ADDRESS};
    for (size_t k = 0; k < BOLLARDS_NODES; k++) {
        if (!is_for(packet[BOLLARDS_ADDRESS_AT], nodes[k]))
            continue;
        if (fault != NULL)
            printf("dropped node=%u reason=%s\n", nodes[k], fault);
        else
            show(nodes[k], packet + BOLLARDS_PAYLOAD_AT);
    }
    have = 0;
}

static void receive(uint8_t octet)
{
    if (have < BOLLARDS_MARKER_OCTETS && octet != marker[have])
        have = 0; /* what fails here may yet be a marker's first octet */
    if (have < BOLLARDS_MARKER_OCTETS && octet != marker[have])
        return;
    packet[have++] = octet;
    if (have < BOLLARDS_HEAD_OCTETS)
        return;
    size_t payload = packet[BOLLARDS_LENGTH_AT];
    if (payload < BOLLARDS_PAYLOAD_LEAST_OCTETS || payload > BOLLARDS_PAYLOAD_MOST_OCTETS) {
        finish("bad-length");
        return;
    }
    if (have < BOLLARDS_HEAD_OCTETS + payload + BOLLARDS_TAIL_OCTETS)
        return;
    const uint8_t *check = packet + have - BOLLARDS_CHECK_FROM_END;
    int sound = bollards_packet_check(packet, have) == (check[0] << 8 | check[1]);
    finish(!sound ? "bad-check" : payload != BOLLARDS_BURST_OCTETS ? "wrong-size" : NULL);
}

int main(void)
{
    int octet;
    setvbuf(stdout, NULL, _IOLBF, BUFSIZ); /* each line at once, through a pipe too */
    while ((octet = getchar()) != EOF)
        receive((uint8_t)octet);
    return 0;
}
