#ifndef CARDGEN_RNG_H
#define CARDGEN_RNG_H
/* Random numbers and lattice noise. Every value is a function of its arguments only, so a picture is the
 * same whichever process draws it, and in whatever order. */
#include <stdint.h>

struct rng {
    uint64_t state;
};

/* Mixes two numbers into a well-spread third one (finaliser of splitmix64, Steele et al. 2014). */
uint64_t rng_mix(uint64_t a, uint64_t b);

/* A generator for one stream of one seed. */
struct rng rng_from(uint64_t seed, uint64_t stream);

uint32_t rng_u32(struct rng *r);
float rng_unit(struct rng *r);                    /* 0 <= x < 1 */
float rng_range(struct rng *r, float a, float b); /* a <= x < b */
float rng_gauss(struct rng *r);                   /* mean 0, deviation 1 */

/* Smooth value noise, about -1..1, one lattice step per unit. */
float rng_noise(uint32_t salt, float x, float y);

/* Sum of `octaves` of rng_noise, each twice as fine and half as strong. */
float rng_fbm(uint32_t salt, float x, float y, int octaves);

/* FNV-1a of a name: streams are told apart by what they are for. */
uint64_t rng_name(const char *name);

#endif
