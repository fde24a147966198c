/*
 * warp.h - motion of a plane as a whole: shift, turn, zoom and shear.
 *
 * A warp sends a place (c, r) of one plane to (c', r') of another:
 *     c' = a[0] + a[1] c + a[2] r      r' = a[3] + a[4] c + a[5] r
 */
#ifndef SUBJECT_WARP_H
#define SUBJECT_WARP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct warp {
    float a[6];
};

static inline struct warp warp_none(void)
{
    return (struct warp){{0, 1, 0, 0, 0, 1}};
}
static inline float warp_col(const struct warp *w, float c, float r)
{
    return w->a[0] + w->a[1] * c + w->a[2] * r;
}
static inline float warp_row(const struct warp *w, float c, float r)
{
    return w->a[3] + w->a[4] * c + w->a[5] * r;
}
/* First `first`, then `then`. */
struct warp warp_after(const struct warp *first, const struct warp *then);
/* The way back; no warp where there is none. */
struct warp warp_back(const struct warp *warp);

/* A plane of luma, in cells. */
struct sheet {
    uint32_t cols, rows;
    float *y;
};

/*
 * Refines *warp, which sends places of `reference` to those of `image`, by Gauss-Newton steps over all cells
 * (Lucas and Kanade 1981) with Tukey's weights (Beaton and Tukey 1974), times `weight` where that is not
 * NULL. Returns the mean of the lowest three quarters of the absolute differences; INFINITY where the two
 * hardly overlap. `scratch` holds cols * rows floats.
 */
float warp_refine(const struct sheet *reference, const struct sheet *image, const float *weight,
                  struct warp *warp, float *scratch);
/* The same residual at a warp, unchanged. */
float warp_residual(const struct sheet *reference, const struct sheet *image, const struct warp *warp,
                    float *scratch);

#endif
