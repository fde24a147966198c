#include "rng.h"
#include <math.h>

uint64_t rng_mix(uint64_t a, uint64_t b)
{
    uint64_t z = a + 0x9e3779b97f4a7c15u * (b + 1);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

struct rng rng_from(uint64_t seed, uint64_t stream)
{
    return (struct rng){rng_mix(seed, stream)};
}

uint32_t rng_u32(struct rng *r)
{
    r->state += 0x9e3779b97f4a7c15u;
    return (uint32_t)(rng_mix(r->state, 0) >> 32);
}

float rng_unit(struct rng *r)
{
    return (float)(rng_u32(r) >> 8) * (1.0f / 16777216.0f);
}

float rng_range(struct rng *r, float a, float b)
{
    return a + (b - a) * rng_unit(r);
}

float rng_gauss(struct rng *r)
{
    float u = rng_unit(r) + 1e-7f, v = rng_unit(r);
    return sqrtf(-2.0f * logf(u)) * cosf(6.2831853f * v);
}

static float lattice(uint32_t salt, int32_t x, int32_t y)
{
    uint32_t h = (uint32_t)x * 0x8da6b343u ^ (uint32_t)y * 0xd8163841u ^ salt * 0xcb1ab31fu;
    h = (h ^ (h >> 15)) * 0x2c1b3c6du;
    h = (h ^ (h >> 12)) * 0x297a2d39u;
    h ^= h >> 15;
    return (float)(h >> 8) * (2.0f / 16777216.0f) - 1.0f;
}

float rng_noise(uint32_t salt, float x, float y)
{
    float fx = floorf(x), fy = floorf(y);
    int32_t ix = (int32_t)fx, iy = (int32_t)fy;
    float tx = x - fx, ty = y - fy;
    tx = tx * tx * (3.0f - 2.0f * tx);
    ty = ty * ty * (3.0f - 2.0f * ty);
    float a = lattice(salt, ix, iy), b = lattice(salt, ix + 1, iy);
    float c = lattice(salt, ix, iy + 1), d = lattice(salt, ix + 1, iy + 1);
    a += (b - a) * tx;
    c += (d - c) * tx;
    return a + (c - a) * ty;
}

float rng_fbm(uint32_t salt, float x, float y, int octaves)
{
    float sum = 0, amp = 0.5f;
    for (int k = 0; k < octaves; k++) {
        sum += amp * rng_noise(salt + (uint32_t)k, x, y);
        x *= 2.03f;
        y *= 2.03f;
        amp *= 0.5f;
    }
    return sum;
}

uint64_t rng_name(const char *name)
{
    uint64_t h = 0xcbf29ce484222325u;
    for (; *name; name++)
        h = (h ^ (unsigned char)*name) * 0x100000001b3u;
    return h;
}
