#include "chaffinch/lanes.h"

typedef void exchange(void *v, size_t i, size_t j);

/* Inlined with its exchange into each of its two callers. */
static inline __attribute__((always_inline)) void network(size_t n, exchange *one, void *v)
{
    size_t top = 1;
    while (2 * top < n)
        top *= 2;
    for (size_t p = n > 1 ? top : 0; p > 0; p /= 2) {
        size_t q = top, r = 0, d = p;
        for (;;) {
            for (size_t i = 0; i + d < n; i++)
                if ((i & p) == r)
                    one(v, i, i + d);
            if (q == p)
                break;
            d = q - p;
            q /= 2;
            r = p;
        }
    }
}

static inline void exchange_floats(void *v, size_t i, size_t j)
{
    float *restrict a = ((float(*)[LANES])v)[i], *restrict b = ((float(*)[LANES])v)[j];
    for (int k = 0; k < LANES; k++) {
        float low = a[k] < b[k] ? a[k] : b[k], high = a[k] < b[k] ? b[k] : a[k];
        a[k] = low;
        b[k] = high;
    }
}

void lanes_sort(float v[][LANES], size_t n)
{
    network(n, exchange_floats, v);
}

static inline void exchange_bytes(void *v, size_t i, size_t j)
{
    uint8_t *restrict a = ((uint8_t(*)[LANES_OF_BYTES])v)[i], *restrict b =
                                                                  ((uint8_t(*)[LANES_OF_BYTES])v)[j];
    for (int k = 0; k < LANES_OF_BYTES; k++) {
        uint8_t low = a[k] < b[k] ? a[k] : b[k], high = a[k] < b[k] ? b[k] : a[k];
        a[k] = low;
        b[k] = high;
    }
}

void lanes_sort_bytes(uint8_t v[][LANES_OF_BYTES], size_t n)
{
    network(n, exchange_bytes, v);
}
