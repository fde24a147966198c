/*
 * bordered.h - linear equations of a chain with shared unknowns.
 *
 * n unknowns in a row, each coupled to its next two, and a few unknowns that all of them share. The matrix is
 * a band with a border; it is positive definite, being a sum of squares. Cholesky keeps both shapes, so a
 * solution takes time in proportion to n.
 */
#ifndef RANK_BORDERED_H
#define RANK_BORDERED_H

#include <stdbool.h>
#include <stddef.h>

#include "chaffinch/err.h"

enum { BORDERED_SHARED = 11, BORDERED_BAND = 3 };

struct bordered {
    size_t n;
    double (*band)[BORDERED_BAND];     /* of row i: (i, i), (i + 1, i), (i + 2, i) */
    double (*border)[BORDERED_SHARED]; /* of row i: against the shared unknowns */
    double *right;                     /* right side, later the solution */
    double corner[BORDERED_SHARED][BORDERED_SHARED], shared[BORDERED_SHARED]; /* as right, of the shared */
};

/* All zero, n rows. False with ERR_NOMEM; released by the caller either way. */
bool bordered_open(struct bordered *b, size_t n, struct err *err);
void bordered_clear(struct bordered *b);
/* Replaces the right sides by the solution and the matrix by its Cholesky factor. */
void bordered_solve(struct bordered *b);
/* After bordered_solve: element (i, i) of the inverse, the variance of unknown i; row has room for n. */
double bordered_variance(const struct bordered *b, size_t i, double *row);
void bordered_release(struct bordered *b);

#endif
