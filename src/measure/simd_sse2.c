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
static inline vec all16(short v)
{
    return _mm_set1_epi16(v);
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
static inline vec and_bits(vec a, vec b)
{
    return _mm_and_si128(a, b);
}
static inline vec high_bytes(vec a)
{
    return _mm_srli_epi16(a, 8);
}
static inline vec less16(vec a, vec b) /* -1 where a < b */
{
    return _mm_cmplt_epi16(a, b);
}
static inline vec madd(vec a, vec b) /* a0 b0 + a1 b1 in each 32 bit lane */
{
    return _mm_madd_epi16(a, b);
}
static inline vec narrow(vec low, vec high) /* 32 bit lanes to 16 bit, in order */
{
    return _mm_packs_epi32(low, high);
}

#include "simd_body.h"
#endif
