#include "map.h"

#include <stdlib.h>
#include <string.h>

/* FNV-1a, 64 bits (Fowler, Noll, Vo; offset basis and prime from memory). Names come from a card, not from
   an attacker's network: collisions cost time, never correctness. */
static uint64_t hash_of_key(const char *key)
{
    uint64_t h = 0xcbf29ce484222325U;
    for (const unsigned char *k = (const unsigned char *)key; *k != 0; k++)
        h = (h ^ *k) * 0x100000001b3U;
    return h ^ h >> 32;
}

static void link_item(struct map *map, size_t i)
{
    size_t *bucket = &map->bucket[map->item[i].hash & (map->n_buckets - 1)];
    map->item[i].next = *bucket;
    *bucket = i;
}

static bool grow(struct map *map, struct err *err)
{
    size_t room = map->room > 0 ? map->room * 2 : 64;
    struct map_item *item = realloc(map->item, room * sizeof *item);
    if (item == NULL)
        return err_nomem(err);
    map->item = item;
    size_t *bucket = malloc(room * sizeof *bucket);
    if (bucket == NULL)
        return err_nomem(err);
    free(map->bucket);
    map->bucket = bucket;
    map->room = map->n_buckets = room;
    for (size_t i = 0; i < room; i++)
        bucket[i] = MAP_END;
    for (size_t i = 0; i < map->n; i++)
        link_item(map, i);
    return true;
}

bool map_add(struct map *map, const char *key, size_t value, struct err *err)
{
    if (map->n == map->room && !grow(map, err))
        return false;
    char *copy = strdup(key);
    if (copy == NULL)
        return err_nomem(err);
    map->item[map->n] = (struct map_item){.key = copy, .value = value, .hash = hash_of_key(key)};
    link_item(map, map->n++);
    return true;
}

static size_t match_from(const struct map *map, size_t at, const char *key, uint64_t hash)
{
    while (at != MAP_END && (map->item[at].hash != hash || strcmp(map->item[at].key, key) != 0))
        at = map->item[at].next;
    return at;
}

size_t map_first(const struct map *map, const char *key)
{
    if (map->n == 0)
        return MAP_END;
    uint64_t hash = hash_of_key(key);
    return match_from(map, map->bucket[hash & (map->n_buckets - 1)], key, hash);
}

size_t map_next(const struct map *map, size_t at)
{
    const struct map_item *item = &map->item[at];
    return match_from(map, item->next, item->key, item->hash);
}

size_t map_value(const struct map *map, size_t at)
{
    return map->item[at].value;
}

void map_release(struct map *map)
{
    for (size_t i = 0; i < map->n; i++)
        free(map->item[i].key);
    free(map->item);
    free(map->bucket);
    *map = (struct map)MAP_INIT;
}
