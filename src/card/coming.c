/* What a copy run has still to bring, for whoever works on the session meanwhile. */
#include <stdlib.h>

#include "set.h"

static int by_time(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return x < y ? -1 : x > y;
}

bool card_coming_list(struct card_set *set, struct card_coming *coming, struct err *err)
{
    size_t settled = atomic_load(&set->settled), at = 0;
    *coming = (struct card_coming){0};
    coming->mtime_ns = malloc((size_t)(card_count_files(set) + 1) * sizeof *coming->mtime_ns);
    if (coming->mtime_ns == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < set->n; i++)
        for (size_t k = 0; k < set->card[i].n; k++, at++)
            if (at >= settled) {
                coming->mtime_ns[coming->n++] = set->card[i].file[k].mtime_ns;
                coming->bytes += set->card[i].file[k].size;
            }
    qsort(coming->mtime_ns, coming->n, sizeof *coming->mtime_ns, by_time);
    return true;
}

bool card_coming_near(const struct card_coming *coming, int64_t mtime_ns, int64_t within_ns)
{
    size_t low = 0, high = coming->n;
    while (low < high) {
        size_t mid = low + (high - low) / 2;
        if (coming->mtime_ns[mid] < mtime_ns - within_ns)
            low = mid + 1;
        else
            high = mid;
    }
    return low < coming->n && coming->mtime_ns[low] <= mtime_ns + within_ns;
}

void card_coming_release(struct card_coming *coming)
{
    free(coming->mtime_ns);
    *coming = (struct card_coming){0};
}
