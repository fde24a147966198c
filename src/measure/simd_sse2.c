/*
 * simd_sse2.c - the inner loops for eight 16 bit lanes: what every x86-64 processor has.
 */
#include "kernels.h"

#if defined(__x86_64__)
#include <emmintrin.h>

#define TARGET
#define LANES 8
#define KERNELS measure_kernels_sse2
typedef __m128i vec;

static inline vec load(const void *p)
{
    return _mm_loadu_si128((const vec *)p);
}
static inline void store(void *p, vec v)
{
    _mm_storeu_si128((vec *)p, v);
}
static inline vec load_u8(const uint8_t *p) /* LANES bytes, widened */
{
    return _mm_unpacklo_epi8(_mm_loadl_epi64((const vec *)(const void *)p), _mm_setzero_si128());
}
static inline vec zero(void)
{
    return _mm_setzero_si128();
}
static inline vec all8(char v)
{
    return _mm_set1_epi8(v);
}
static inline vec all16(short v)
{
    return _mm_set1_epi16(v);
}
static inline vec all32(int v)
{
    return _mm_set1_epi32(v);
}
static inline vec add8(vec a, vec b)
{
    return _mm_add_epi8(a, b);
}
static inline vec sub8(vec a, vec b)
{
    return _mm_sub_epi8(a, b);
}
static inline vec min8(vec a, vec b)
{
    return _mm_min_epu8(a, b);
}
static inline vec equal8(vec a, vec b) /* -1 where equal */
{
    return _mm_cmpeq_epi8(a, b);
}
static inline vec add16(vec a, vec b)
{
    return _mm_add_epi16(a, b);
}
static inline vec sub16(vec a, vec b)
{
    return _mm_sub_epi16(a, b);
}
static inline vec add32(vec a, vec b)
{
    return _mm_add_epi32(a, b);
}
static inline vec sub32(vec a, vec b)
{
    return _mm_sub_epi32(a, b);
}
static inline vec and_bits(vec a, vec b)
{
    return _mm_and_si128(a, b);
}
static inline vec or_bits(vec a, vec b)
{
    return _mm_or_si128(a, b);
}
static inline vec up32(vec a) /* the lower half of each 64 bit lane to the upper */
{
    return _mm_slli_epi64(a, 32);
}
static inline vec right32(vec a, int by)
{
    return _mm_srli_epi32(a, by);
}
static inline vec sum_bytes(vec a) /* of eight, in each 64 bit lane */
{
    return _mm_sad_epu8(a, _mm_setzero_si128());
}
static inline vec pair_bytes(vec a) /* sums of two neighbouring bytes */
{
    return _mm_add_epi16(_mm_and_si128(a, _mm_set1_epi16(255)), _mm_srli_epi16(a, 8));
}
static inline vec less_or_zero(vec a, vec b) /* a - b of unsigned lanes, 0 where that is negative */
{
    return _mm_subs_epu16(a, b);
}
static inline vec mul_low(vec a, vec b)
{
    return _mm_mullo_epi16(a, b);
}
static inline vec mul_high(vec a, vec b)
{
    return _mm_mulhi_epu16(a, b);
}
static inline vec madd(vec a, vec b) /* a0 b0 + a1 b1 in each 32 bit lane */
{
    return _mm_madd_epi16(a, b);
}
static inline vec low32(vec a, vec b) /* a0 b0 a1 b1 of each 128 bits */
{
    return _mm_unpacklo_epi32(a, b);
}
static inline vec high32(vec a, vec b) /* a2 b2 a3 b3 */
{
    return _mm_unpackhi_epi32(a, b);
}
static inline vec low64(vec a, vec b)
{
    return _mm_unpacklo_epi64(a, b);
}
static inline vec high64(vec a, vec b)
{
    return _mm_unpackhi_epi64(a, b);
}
static inline vec narrow(vec low, vec high) /* 32 bit lanes to 16 bit, in order */
{
    return _mm_packs_epi32(low, high);
}
/* Halves of 32 bit products to LANES numbers, in order. */
static inline void store_products(uint32_t *out, vec low, vec high)
{
    store(out, _mm_unpacklo_epi16(low, high));
    store(out + LANES / 2, _mm_unpackhi_epi16(low, high));
}
static inline void store_bytes(uint8_t *out, vec a) /* clamped to 0..255 */
{
    _mm_storel_epi64((vec *)(void *)out, _mm_packus_epi16(a, a));
}
static inline vec reached(vec a, float b) /* -1 where the floats in a are at least b */
{
    return _mm_castps_si128(_mm_cmpge_ps(_mm_castsi128_ps(a), _mm_set1_ps(b)));
}

#include "simd_body.h"
#endif
