/* Tries the rearranging loop alone, on every golden vector.  C99. */

#include <stdio.h>
#include <string.h>

#include "bollards.h"
#include "bollards_vectors.h"
#include "rearrange.h"

int main(void)
{
    int wrong = 0;
    for (size_t k = 0; k < BOLLARDS_VECTORS; k++) {
        const bollards_vector *v = &bollards_vectors[k];
        uint8_t words[BOLLARDS_BURST_WORDS];
        if (v->words == NULL)
            continue; /* a packet that is refused before anything is rearranged */
        rearrange(v->own, words);
        if (memcmp(words, v->words, sizeof words) != 0) {
            printf("%s: %s\n", v->name, v->why);
            wrong = 1;
        }
    }
    return wrong;
}
