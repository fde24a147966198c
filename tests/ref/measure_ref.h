/*
 * measure_ref.h - the cell sums again, slow and simple: whole pictures, one pixel at a time, no shared code.
 */
#ifndef TESTS_MEASURE_REF_H
#define TESTS_MEASURE_REF_H

#include "chaffinch/measure.h"

/* The cells of a picture of width_px * height_px bytes. NULL when memory ran out; freed with cells_free. */
struct cells *measure_ref(const uint8_t *luma, uint32_t width_px, uint32_t height_px);

#endif
