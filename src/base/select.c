#include "chaffinch/select.h"

enum { FEW = 64 };

/* Few values, as a place has over time: no branch depends on them but one a round, since a processor guesses
   half of those wrong. */
static float select_of_few(float *v, size_t n, size_t k)
{
    size_t low = 0, high = n - 1;
    while (low < high) {
        size_t middle = low + (high - low) / 2, smaller = low;
        float pivot = v[middle];
        v[middle] = v[high];
        for (size_t i = low; i < high; i++) {
            float x = v[i];
            v[i] = v[smaller];
            v[smaller] = x;
            smaller += x < pivot;
        }
        v[high] = v[smaller];
        v[smaller] = pivot;
        if (k == smaller)
            break;
        if (k < smaller)
            high = smaller - 1;
        else
            low = smaller + 1;
    }
    return v[k];
}

float select_nth(float *v, size_t n, size_t k)
{
    if (n <= FEW)
        return select_of_few(v, n, k);
    size_t low = 0, high = n - 1;
    while (low < high) {
        float pivot = v[low + (high - low) / 2];
        size_t i = low, j = high;
        for (;;) {
            while (v[i] < pivot)
                i++;
            while (pivot < v[j])
                j--;
            if (i >= j)
                break;
            float swap = v[i];
            v[i++] = v[j];
            v[j--] = swap;
        }
        if (v[j] > pivot)
            j--;
        if (k <= j)
            high = j;
        else
            low = j + 1;
    }
    return v[k];
}
