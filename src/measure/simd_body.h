/*
 * simd_body.h - the vector loops, written once over a handful of lane operations.
 *
 * Included at the end of simd_sse2.c and simd_avx2.c, which define TARGET, LANES (of 16 bits), KERNELS, `vec`
 * and the operations. A strip is LANES columns wide and runs down the band; a row is loaded and widened
 * once, and what the next two rows need of it stays in registers.
 */

/* What a row gives at each of its columns. */
struct line {
    vec sum; /* 1 2 1 sum of left, value and right */
    vec dx;  /* right minus left */
};

/* Sixteen bit samples, in order. */
TARGET static inline struct line line16(const uint16_t *p)
{
    vec left = load(p - 1), mid = load(p), right = load(p + 1);
    return (struct line){add16(add16(left, right), add16(mid, mid)), sub16(right, left)};
}

/* What is kept of the two rows above the one that is loaded next. */
struct window {
    vec dx, dx_two;  /* of the middle row, and of the upper and the middle row */
    vec up_sum, sum; /* of the upper and the middle row */
};

struct gradient {
    vec x, y;
};

TARGET static inline struct window window_start(struct line up, struct line mid)
{
    return (struct window){mid.dx, add16(up.dx, mid.dx), up.sum, mid.sum};
}

/* Gradients at the middle row once the row below it is there; then moves the window down by one. */
TARGET static inline struct gradient window_step(struct window *w, struct line low)
{
    vec dx_two = add16(w->dx, low.dx);
    struct gradient g = {add16(w->dx_two, dx_two), sub16(low.sum, w->up_sum)};
    *w = (struct window){low.dx, dx_two, w->sum, low.sum};
    return g;
}

TARGET static inline vec add_squares(vec sum, struct gradient g)
{
    return add32(sum, add32(madd(g.x, g.x), madd(g.y, g.y)));
}

/* The same of even and odd columns of bytes, which are kept apart: both come of sums of two columns next to
   each other, 1 2 1 = 1 1 0 + 0 1 1 and -1 0 1 = 0 1 1 - 1 1 0. */
struct two_lines {
    struct line even, odd;
    vec both; /* even + odd */
};

TARGET static inline struct two_lines two_lines8(const uint8_t *p)
{
    struct neighbours n = neighbours(p);
    return (struct two_lines){
        .even = {add16(n.left_even, n.even_odd), sub16(n.even_odd, n.left_even)},
        .odd = {add16(n.even_odd, n.odd_right), sub16(n.odd_right, n.even_odd)},
        .both = n.even_odd,
    };
}

/* The gradients and the luma of a strip of bytes, and a trace of clipped ones. */
struct gradients {
    vec grad2;  /* lanes of 32 bits: four columns */
    vec luma;   /* lanes of 16 bits: two columns, at most 32 rows of 510 */
    vec lowest; /* lanes of 8 bits: of y + 2 modulo 256, which is 0..3 for 254, 255, 0 and 1 only */
};

/* The value as it is, for GCC not to add in another order: it would run out of registers. */
TARGET static inline vec settled(vec a)
{
    __asm__("" : "+x"(a));
    return a;
}

/* Adds the gradients of the middle row once the row below it is there; `lowest` is of that one, as is the sum
   of its columns that is returned. */
TARGET static inline vec add_row(struct gradients *s, struct window *even, struct window *odd,
                                 const uint8_t *below)
{
    struct two_lines low = two_lines8(below);
    s->grad2 = settled(add_squares(s->grad2, window_step(even, low.even)));
    s->grad2 = settled(add_squares(s->grad2, window_step(odd, low.odd)));
    s->lowest = min8(s->lowest, add8(load(below), all8(2)));
    return low.both;
}

/* Runs down a strip, and makes the rows of scale 2 on the way. Two loops, this and the next, need no more
   registers than there are. */
TARGET static struct gradients strip8(const uint8_t *const *row, unsigned rows, size_t x,
                                      uint16_t *const *half)
{
    struct two_lines up = two_lines8(row[0] + x), mid = two_lines8(row[1] + x);
    struct window even = window_start(up.even, mid.even), odd = window_start(up.odd, mid.odd);
    struct gradients s = {zero(), zero(), add8(load(row[1] + x), all8(2))};
    vec both = mid.both;
    unsigned r = 1;
    for (; r < rows; r += 2) {
        both = add16(both, add_row(&s, &even, &odd, row[r + 1] + x));
        s.luma = add16(s.luma, both);
        store(half[r / 2] + x / 2, both);
        both = add_row(&s, &even, &odd, row[r + 2] + x);
    }
    if (r == rows) {
        s.luma = add16(s.luma, both);
        (void)add_row(&s, &even, &odd, row[r + 1] + x);
    }
    return s;
}

/* What else a strip of bytes adds up to. */
struct strip {
    vec luma2, lap2; /* lanes of 32 bits: four columns */
};

TARGET static struct strip strip8_rest(const uint8_t *const *row, unsigned rows, size_t x)
{
    const vec byte = all16(255);
    vec above = load(row[0] + x), here = load(row[1] + x);
    vec up_even = and_bits(above, byte), up_odd = high_bytes(above);
    vec even = and_bits(here, byte), odd = high_bytes(here);
    struct strip s = {zero(), zero()};
    for (unsigned r = 1; r <= rows; r++) {
        struct two_columns across = second_differences(row[r] + x, even, odd);
        vec below = load(row[r + 1] + x);
        vec low_even = and_bits(below, byte), low_odd = high_bytes(below);
        vec l = add16(across.even, add16(up_even, low_even)), k = add16(across.odd, add16(up_odd, low_odd));
        s.luma2 = add32(s.luma2, add32(madd(even, even), madd(odd, odd)));
        s.lap2 = add32(s.lap2, add32(madd(l, l), madd(k, k)));
        up_even = even;
        up_odd = odd;
        even = low_even;
        odd = low_odd;
    }
    return s;
}

/* A lane of 32 bits is the sum of four columns; two of them are a unit, whose four sums come together. */
TARGET static inline void store_units(struct fine_sums *unit, struct gradients g, struct strip s)
{
    vec luma = madd(g.luma, all16(1));
    vec luma_even = low32(luma, s.luma2), luma_odd = high32(luma, s.luma2);   /* luma luma2 luma luma2 */
    vec lap_even = low32(s.lap2, g.grad2), lap_odd = high32(s.lap2, g.grad2); /* lap2 grad2 lap2 grad2 */
    vec first = add32(low64(luma_even, lap_even), high64(luma_even, lap_even));
    vec second = add32(low64(luma_odd, lap_odd), high64(luma_odd, lap_odd));
    store_in_turn(unit, first, second);
}

/* Clipped px of a strip, eight columns a unit; at most 32 rows fit lanes of 8 bits. */
TARGET static void count_clipped(const uint8_t *const *row, unsigned rows, size_t x, uint32_t *clipped)
{
    const vec two = all8(2), three = all8(3);
    uint64_t units[2 * LANES / UNIT_PX];
    vec n = zero();
    for (unsigned r = 1; r <= rows; r++) {
        vec shifted = add8(load(row[r] + x), two);
        n = sub8(n, equal8(min8(shifted, three), shifted));
    }
    store(units, sum_bytes(n));
    for (size_t i = 0; i < 2 * LANES / UNIT_PX; i++)
        clipped[i] = (uint32_t)units[i];
}

TARGET static void fine(const uint8_t *const *row, unsigned rows, size_t width, const struct fine_out *out)
{
    const vec three = all8(3);
    size_t x = 0;
    for (; x + 2 * LANES <= width; x += 2 * LANES) {
        struct gradients g = strip8(row, rows, x, out->half);
        store_units(out->unit + x / UNIT_PX, g, strip8_rest(row, rows, x));
        if (any(equal8(min8(g.lowest, three), g.lowest)))
            count_clipped(row, rows, x, out->clipped + x / UNIT_PX);
        else
            memset(out->clipped + x / UNIT_PX, 0, 2 * LANES / UNIT_PX * sizeof *out->clipped);
    }
    measure_plain_fine(row, rows, x, width, out);
}

/* Of scales 2 and 4. */
TARGET static void coarse(const uint16_t *const *row, unsigned rows, size_t width, uint32_t *gradient2)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        struct window w = window_start(line16(row[0] + x), line16(row[1] + x));
        vec grad2 = zero();
        unsigned r = 1;
        for (; r < rows; r += 2) {
            grad2 = add_squares(grad2, window_step(&w, line16(row[r + 1] + x)));
            grad2 = add_squares(grad2, window_step(&w, line16(row[r + 2] + x)));
        }
        if (r == rows)
            grad2 = add_squares(grad2, window_step(&w, line16(row[r + 1] + x)));
        store(gradient2 + x / 2, grad2);
    }
    measure_plain_coarse(row, rows, x, width, gradient2);
}

/* (a - b)^2 of unsigned lanes, whose difference takes 17 bits with its sign. */
TARGET static inline void store_squares(vec a, vec b, uint32_t *out)
{
    vec d = or_bits(less_or_zero(a, b), less_or_zero(b, a));
    store_products(out, mul_low(d, d), mul_high(d, d));
}

TARGET static inline vec column_sum(const uint16_t *up, const uint16_t *mid, const uint16_t *low)
{
    vec m = load(mid);
    return add16(add16(load(up), load(low)), add16(m, m));
}

/* Of scale 8: 1 2 1 sums of its samples, up to 4 * 16320, are just below 2^16. */
TARGET static void coarsest(const uint16_t *const row[3], size_t width, uint32_t *gx2, uint32_t *gy2)
{
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        const uint16_t *up = row[0] + x, *mid = row[1] + x, *low = row[2] + x;
        store_squares(line16(up).sum, line16(low).sum, gy2 + x);
        store_squares(column_sum(up - 1, mid - 1, low - 1), column_sum(up + 1, mid + 1, low + 1), gx2 + x);
    }
    measure_plain_coarsest(row, x, width, gx2, gy2);
}

TARGET static void halve16(const uint16_t *upper, const uint16_t *lower, size_t width, uint16_t *out)
{
    const vec one = all16(1);
    size_t x = 0;
    for (; x + LANES <= width; x += LANES) {
        vec first = add16(load(upper + 2 * x), load(lower + 2 * x));
        vec second = add16(load(upper + 2 * x + LANES), load(lower + 2 * x + LANES));
        store(out + x, narrow(madd(first, one), madd(second, one)));
    }
    measure_plain_halve16(upper, lower, x, width, out);
}

TARGET static inline vec reached_two(vec mantissa, int k)
{
    return add32(reached(mantissa, log_step_ends[k]), reached(mantissa, log_step_ends[k + 1]));
}

/* Before they are clamped to bytes: -1180 to 1380, which fit 16 bits. */
TARGET static inline vec log_lanes(const float *value)
{
    vec bits = load(value), one = all32(FLOAT_ONE);
    vec mantissa = or_bits(and_bits(bits, all32(FLOAT_MANTISSA)), one);
    vec octave = sub32(right32(bits, FLOAT_MANTISSA_BITS), all32(FLOAT_BIAS + LOG_LOWEST_OCTAVE));
    vec byte = add32(madd(octave, all32(LOG_STEPS)), all32(1));
    /* written out, as GCC keeps a loop of ten as it is, which takes twice the time */
    vec first = add32(reached_two(mantissa, 0), add32(reached_two(mantissa, 2), reached_two(mantissa, 4)));
    return sub32(byte, add32(first, add32(reached_two(mantissa, 6), reached_two(mantissa, 8))));
}

TARGET static void log_bytes(const float *value, size_t n, uint8_t *out)
{
    size_t x = 0;
    for (; x + LANES <= n; x += LANES)
        store_bytes(out + x, narrow(log_lanes(value + x), log_lanes(value + x + LANES / 2)));
    measure_plain_log_bytes(value, x, n, out);
}

/* Integers below 2^52 are doubles less 2^52, once they stand below its exponent. */
TARGET static void scale_sums(const uint64_t *sum, size_t n, float unit, float *value)
{
    size_t x = 0;
    for (; x + LANES / 4 <= n; x += LANES / 4)
        store_scaled(value + x, load(sum + x), unit);
    measure_plain_scale_sums(sum, x, n, unit, value);
}

const struct kernels KERNELS = {fine, coarse, coarsest, halve16, log_bytes, scale_sums};
