/*
 * lanes.h - values over time of several places at once, sorted.
 *
 * A temporal median of each place is most of what looking for subjects costs. A sorting network (Batcher's
 * odd-even merge exchange: Knuth, The Art of Computer Programming 3, 5.2.2, algorithm M) compares the same
 * places whatever the values are, so that it works on neighbouring places side by side, without a branch to
 * guess wrong.
 */
#ifndef CHAFFINCH_LANES_H
#define CHAFFINCH_LANES_H

#include <stddef.h>
#include <stdint.h>

enum {
    LANES = 8, /* places that are sorted side by side */
    LANES_OF_BYTES = 64,
    LANES_MOST = 31 /* values of each, at most */
};
/* Sorts the n values of each lane: v[0] holds the smallest ones. */
void lanes_sort(float v[][LANES], size_t n);
void lanes_sort_bytes(uint8_t v[][LANES_OF_BYTES], size_t n);

#endif
