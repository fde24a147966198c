/* sums.c - means over the cells of a region. */
#include "score.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void sums_over(const struct grid *grid, const struct noise *noise, const uint8_t *mask, uint32_t col,
               uint32_t row, uint32_t cols, uint32_t rows, struct sums *out)
{
    double luma2 = 0;
    *out = (struct sums){0};
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++) {
            if (!mask[(size_t)r * cols + c])
                continue;
            size_t i = (size_t)(row + r) * grid->cols + col + c;
            float y = grid_luma(grid, i);
            out->cells++;
            out->luma += (double)y;
            luma2 += (double)y * (double)y;
            out->variance += (double)grid_value(grid, GRID_VAR, i);
            out->g8 += (double)grid_value(grid, GRID_G8, i);
            out->floor_error += (double)noise_error_at(noise, y);
            for (int e = 0; e < ENERGIES; e++) {
                out->mean[e] += (double)grid_value(grid, energy_plane(e), i);
                out->floor[e] += (double)noise_at(noise, e, y);
            }
        }
    double n = out->cells > 0 ? out->cells : 1;
    out->luma /= n;
    out->variance = fmax(out->variance / n + luma2 / n - out->luma * out->luma, 1.0);
    out->g8 /= n;
    out->floor_error /= n;
    for (int e = 0; e < ENERGIES; e++) {
        out->mean[e] /= n;
        out->floor[e] /= n;
        out->signal[e] = fmax(out->mean[e] - out->floor[e], 1e-3);
    }
}

static bool surrounded(const uint8_t *mask, uint32_t cols, uint32_t rows, uint32_t c, uint32_t r)
{
    if (r == 0 || c == 0 || r + 1 >= rows || c + 1 >= cols)
        return false;
    for (uint32_t y = r - 1; y <= r + 1; y++)
        for (uint32_t x = c - 1; x <= c + 1; x++)
            if (!mask[(size_t)y * cols + x])
                return false;
    return true;
}

size_t mask_core(const uint8_t *mask, uint32_t cols, uint32_t rows, double least, uint8_t *out)
{
    size_t cells = (size_t)cols * rows, inner = 0, clear = 0, all = 0;
    for (uint32_t r = 0; r < rows; r++)
        for (uint32_t c = 0; c < cols; c++) {
            size_t i = (size_t)r * cols + c;
            out[i] = mask[i] && surrounded(mask, cols, rows, c, r) ? mask[i] : 0;
            inner += out[i] != 0;
            clear += out[i] == SUBJECT_CLEAR;
            all += mask[i] != 0;
        }
    bool only_clear = (double)clear >= fmax(least, 0.25 * (double)inner);
    bool any_inner = (double)inner >= least;
    for (size_t i = 0; i < cells; i++)
        out[i] = only_clear ? out[i] == SUBJECT_CLEAR : any_inner ? out[i] != 0 : mask[i] != 0;
    return only_clear ? clear : any_inner ? inner : all;
}

double clear_share(const struct subject_region *region)
{
    size_t inner = 0, clear = 0;
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            uint8_t cell = region->mask[(size_t)r * region->cols + c];
            if (cell != 0 && surrounded(region->mask, region->cols, region->rows, c, r)) {
                inner++;
                clear += cell == SUBJECT_CLEAR;
            }
        }
    return inner > 0 ? (double)clear / (double)inner : 1.0;
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double quantile_of(double *v, size_t n, double part)
{
    if (n == 0)
        return 0;
    qsort(v, n, sizeof *v, by_value);
    return v[(size_t)(part * (double)(n - 1) + 0.5)];
}

double median_of(double *v, size_t n)
{
    if (n == 0)
        return 0;
    qsort(v, n, sizeof *v, by_value);
    return n % 2 ? v[n / 2] : 0.5 * (v[n / 2 - 1] + v[n / 2]);
}

/* Places of the 64 squares over the subject's box, made square so that a turn shows. */
void outline_of(const struct grid *grid, const struct subject_region *region, uint8_t outline[16])
{
    enum { SIDE = 8 };
    double inside[SIDE * SIDE] = {0}, luma[SIDE * SIDE] = {0}, all[SIDE * SIDE] = {0}, sum = 0, sum2 = 0;
    double side = fmax(region->cols, region->rows), n = 0;
    double left = (side - region->cols) / 2, top = (side - region->rows) / 2;
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            int sc = (int)((c + left + 0.5) / side * SIDE), sr = (int)((r + top + 0.5) / side * SIDE);
            int k = (sr < SIDE ? sr : SIDE - 1) * SIDE + (sc < SIDE ? sc : SIDE - 1);
            all[k]++;
            if (!region->mask[(size_t)r * region->cols + c])
                continue;
            double y = (double)grid_luma(grid, (size_t)(region->row + r) * grid->cols + region->col + c);
            inside[k]++;
            luma[k] += y;
            sum += y;
            sum2 += y * y;
            n++;
        }
    memset(outline, 0, 16);
    double mean = n > 0 ? sum / n : 0, sd = n > 0 ? sqrt(fmax(sum2 / n - mean * mean, 1)) : 1;
    for (int k = 0; k < SIDE * SIDE; k++) {
        if (all[k] <= 0 || inside[k] < 0.5 * all[k])
            continue;
        double z = (luma[k] / inside[k] - mean) / sd;
        unsigned code = z < -0.5 ? 1 : z > 0.5 ? 3 : 2;
        outline[k / 4] |= (uint8_t)(code << (2 * (k % 4)));
    }
}

/* Two bits of square (c, r); 0 beyond the edge. */
static int square_of(const uint8_t outline[16], int c, int r)
{
    int k = 8 * r + c;
    return c < 0 || r < 0 || c >= 8 || r >= 8 ? 0 : outline[k / 4] >> (2 * (k % 4)) & 3;
}

/* With b moved by (dc, dr). Shape counts most: brightness changes with every turn towards the light. */
static double distance_moved(const uint8_t a[16], const uint8_t b[16], int dc, int dr)
{
    double apart = 0, either = 0;
    for (int r = -1; r < 9; r++)
        for (int c = -1; c < 9; c++) {
            int x = square_of(a, c, r), y = square_of(b, c - dc, r - dr);
            if (x == 0 && y == 0)
                continue;
            either++;
            apart += x == 0 || y == 0 ? 1.0 : 0.125 * abs(x - y);
        }
    return either > 0 ? apart / either : 0.0;
}

double rank_outline_distance(const uint8_t a[16], const uint8_t b[16])
{
    double best = 1;
    for (int dr = -1; dr <= 1; dr++)
        for (int dc = -1; dc <= 1; dc++)
            best = fmin(best, distance_moved(a, b, dc, dr));
    return best;
}
