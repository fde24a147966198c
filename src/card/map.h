/*
 * map.h - names to numbers: a hash table whose keys may repeat, kept small enough to read in one go.
 *
 * Calling sequence: struct map m = MAP_INIT; map_add(&m, "DCIM/a.jpg", 7, &err);
 *     for (size_t i = map_first(&m, key); i != MAP_END; i = map_next(&m, i)) use map_value(&m, i);
 *     map_release(&m);
 * The map owns copies of its keys. Values of one key come back newest first.
 */
#ifndef CHAFFINCH_CARD_MAP_H
#define CHAFFINCH_CARD_MAP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"

struct map_item {
    char *key;
    size_t value;
    size_t next; /* item of the same bucket, MAP_END at the end */
    uint64_t hash;
};

struct map {
    struct map_item *item;
    size_t n, room;
    size_t *bucket;
    size_t n_buckets; /* a power of two, 0 before the first item */
};

#define MAP_INIT                                                                                             \
    {                                                                                                        \
        .n = 0                                                                                               \
    }
#define MAP_END SIZE_MAX

bool map_add(struct map *map, const char *key, size_t value, struct err *err);
size_t map_first(const struct map *map, const char *key);
size_t map_next(const struct map *map, size_t at);
size_t map_value(const struct map *map, size_t at);
void map_release(struct map *map);

#endif
