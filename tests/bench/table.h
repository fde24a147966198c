#ifndef BENCH_TABLE_H
#define BENCH_TABLE_H
/* The results on stdout. */
#include <stdio.h>

#include "marks.h"

struct table_row {
    const char *name, *text;
    const struct marks *marks; /* of its bursts */
    size_t n;
};

/* `all` holds the marks of all bursts, row after row. */
void table_print(FILE *out, const struct table_row *row, size_t rows, const struct marks *all, size_t n);
void table_csv(FILE *out, const struct table_row *row, size_t rows, const struct marks *all, size_t n);

#endif
