/* hull.c - the convex hull of a mask. A still body leaves a hole between the wings that move; the hull closes
 * it. */
#include "scene.h"

#include <stdlib.h>

struct point {
    int32_t x, y;
};

static int64_t turn(struct point o, struct point a, struct point b)
{
    return (int64_t)(a.x - o.x) * (b.y - o.y) - (int64_t)(a.y - o.y) * (b.x - o.x);
}

/* First and last cell of each column: all that a hull can touch, already in order of x. */
static size_t ends(const uint8_t *mask, uint32_t cols, uint32_t rows, struct point *out)
{
    size_t n = 0;
    for (uint32_t c = 0; c < cols; c++) {
        int32_t top = -1, low = -1;
        for (uint32_t r = 0; r < rows; r++)
            if (mask[(size_t)r * cols + c]) {
                top = top < 0 ? (int32_t)r : top;
                low = (int32_t)r;
            }
        if (top < 0)
            continue;
        out[n++] = (struct point){(int32_t)c, top};
        if (low > top)
            out[n++] = (struct point){(int32_t)c, low};
    }
    return n;
}

/* One half of the hull, left to right (Andrew's monotone chain, 1979); sign +1 keeps what turns one way. */
static size_t half(const struct point *in, size_t n, int sign, struct point *hull)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        while (m >= 2 && sign * turn(hull[m - 2], hull[m - 1], in[i]) <= 0)
            m--;
        hull[m++] = in[i];
    }
    return m;
}

/* Row of a half hull at column x, rounded away from the hull's inside by `bias`. */
static int32_t row_at(const struct point *hull, size_t m, int32_t x, size_t *seg, int bias)
{
    while (*seg + 1 < m && hull[*seg + 1].x < x)
        ++*seg;
    if (*seg + 1 >= m || hull[*seg + 1].x == hull[*seg].x)
        return hull[*seg].y;
    struct point a = hull[*seg], b = hull[*seg + 1];
    int64_t run = b.x - a.x, rise = (int64_t)(b.y - a.y) * (x - a.x);
    int64_t low = rise >= 0 ? rise / run : -((-rise + run - 1) / run); /* floor */
    return (int32_t)(a.y + (bias > 0 && rise % run != 0 ? low + 1 : low));
}

bool mask_hull(uint8_t *mask, uint32_t cols, uint32_t rows, struct err *err)
{
    struct point *point = malloc(6 * (size_t)cols * sizeof *point);
    if (point == NULL)
        return err_nomem(err);
    struct point *upper = point + 2 * (size_t)cols, *lower = point + 4 * (size_t)cols;
    size_t n = ends(mask, cols, rows, point);
    if (n > 0) {
        /* Rows grow downwards: the chain that turns positively runs along the top. */
        size_t mu = half(point, n, 1, upper), ml = half(point, n, -1, lower), su = 0, sl = 0;
        for (int32_t x = point[0].x; x <= point[n - 1].x; x++) {
            int32_t top = row_at(upper, mu, x, &su, -1), low = row_at(lower, ml, x, &sl, 1);
            for (int32_t y = top < 0 ? 0 : top; y <= low && y < (int32_t)rows; y++)
                mask[(size_t)y * cols + (size_t)x] = 1;
        }
    }
    free(point);
    return true;
}
