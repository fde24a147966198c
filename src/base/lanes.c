#include "chaffinch/lanes.h"

static void exchange(float *restrict a, float *restrict b)
{
    for (int k = 0; k < LANES; k++) {
        float low = a[k] < b[k] ? a[k] : b[k], high = a[k] < b[k] ? b[k] : a[k];
        a[k] = low;
        b[k] = high;
    }
}

void lanes_sort(float v[][LANES], size_t n)
{
    size_t top = 1;
    while (2 * top < n)
        top *= 2;
    for (size_t p = n > 1 ? top : 0; p > 0; p /= 2) {
        size_t q = top, r = 0, d = p;
        for (;;) {
            for (size_t i = 0; i + d < n; i++)
                if ((i & p) == r)
                    exchange(v[i], v[i + d]);
            if (q == p)
                break;
            d = q - p;
            q /= 2;
            r = p;
        }
    }
}
