/* bordered.c - Cholesky of a band of three with a border. */
#include "bordered.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double LEAST_PIVOT = 1e-12;

bool bordered_open(struct bordered *b, size_t n, struct err *err)
{
    *b = (struct bordered){.n = n};
    b->band = calloc(n + 1, sizeof *b->band);
    b->border = calloc(n + 1, sizeof *b->border);
    b->right = calloc(n + 1, sizeof *b->right);
    return b->band != NULL && b->border != NULL && b->right != NULL ? true : err_nomem(err);
}

void bordered_clear(struct bordered *b)
{
    memset(b->band, 0, b->n * sizeof *b->band);
    memset(b->border, 0, b->n * sizeof *b->border);
    memset(b->right, 0, b->n * sizeof *b->right);
    memset(b->corner, 0, sizeof b->corner);
    memset(b->shared, 0, sizeof b->shared);
}

static double pivot(double v)
{
    return sqrt(fmax(v, LEAST_PIVOT));
}

/* L of the band in its place. */
static void factor_band(struct bordered *b)
{
    for (size_t i = 0; i < b->n; i++) {
        double *l = b->band[i];
        l[0] = pivot(l[0]);
        l[1] /= l[0];
        l[2] /= l[0];
        if (i + 1 < b->n) {
            b->band[i + 1][0] -= l[1] * l[1];
            b->band[i + 1][1] -= l[1] * l[2];
        }
        if (i + 2 < b->n)
            b->band[i + 2][0] -= l[2] * l[2];
    }
}

/* Takes row `from`, times the factor's element below it, off row i. */
static void take_off(struct bordered *b, size_t i, size_t from)
{
    double l = b->band[from][i - from];
    b->right[i] -= l * b->right[from];
    for (int s = 0; s < BORDERED_SHARED; s++)
        b->border[i][s] -= l * b->border[from][s];
}

/* Solves L z = right and L w = border, in place. */
static void forward(struct bordered *b)
{
    for (size_t i = 0; i < b->n; i++) {
        if (i >= 2)
            take_off(b, i, i - 2);
        if (i >= 1)
            take_off(b, i, i - 1);
        b->right[i] /= b->band[i][0];
        for (int s = 0; s < BORDERED_SHARED; s++)
            b->border[i][s] /= b->band[i][0];
    }
}

/* What the chain leaves of the corner, its factor, and the shared unknowns. */
static void solve_corner(struct bordered *b)
{
    for (size_t i = 0; i < b->n; i++)
        for (int s = 0; s < BORDERED_SHARED; s++) {
            b->shared[s] -= b->border[i][s] * b->right[i];
            for (int t = 0; t <= s; t++)
                b->corner[s][t] -= b->border[i][s] * b->border[i][t];
        }
    for (int s = 0; s < BORDERED_SHARED; s++)
        for (int t = 0; t <= s; t++) {
            double v = b->corner[s][t];
            for (int k = 0; k < t; k++)
                v -= b->corner[s][k] * b->corner[t][k];
            b->corner[s][t] = s == t ? pivot(v) : v / b->corner[t][t];
        }
    for (int s = 0; s < BORDERED_SHARED; s++) {
        for (int k = 0; k < s; k++)
            b->shared[s] -= b->corner[s][k] * b->shared[k];
        b->shared[s] /= b->corner[s][s];
    }
    for (int s = BORDERED_SHARED - 1; s >= 0; s--) {
        for (int k = s + 1; k < BORDERED_SHARED; k++)
            b->shared[s] -= b->corner[k][s] * b->shared[k];
        b->shared[s] /= b->corner[s][s];
    }
}

void bordered_solve(struct bordered *b)
{
    factor_band(b);
    forward(b);
    solve_corner(b);
    for (size_t i = b->n; i-- > 0;) {
        for (int s = 0; s < BORDERED_SHARED; s++)
            b->right[i] -= b->border[i][s] * b->shared[s];
        for (size_t ahead = 1; ahead <= 2 && i + ahead < b->n; ahead++)
            b->right[i] -= b->band[i][ahead] * b->right[i + ahead];
        b->right[i] /= b->band[i][0];
    }
}

/* The inverse is L'^-1 L^-1 of the whole; column i of L^-1 is found row by row, its square is the answer. */
double bordered_variance(const struct bordered *b, size_t i, double *row)
{
    double sum = 0, tail[BORDERED_SHARED] = {0};
    for (size_t k = i; k < b->n; k++) {
        row[k] = k == i ? 1 : 0;
        row[k] -= k >= i + 1 ? b->band[k - 1][1] * row[k - 1] : 0;
        row[k] -= k >= i + 2 ? b->band[k - 2][2] * row[k - 2] : 0;
        row[k] /= b->band[k][0];
        sum += row[k] * row[k];
        for (int s = 0; s < BORDERED_SHARED; s++)
            tail[s] -= b->border[k][s] * row[k];
    }
    for (int s = 0; s < BORDERED_SHARED; s++) {
        for (int k = 0; k < s; k++)
            tail[s] -= b->corner[s][k] * tail[k];
        tail[s] /= b->corner[s][s];
        sum += tail[s] * tail[s];
    }
    return sum;
}

void bordered_release(struct bordered *b)
{
    free(b->band);
    free(b->border);
    free(b->right);
    *b = (struct bordered){0};
}
