#include "keep.h"

#include <stdlib.h>
#include <string.h>

enum { CHUNK_BYTES = 64 * 1024, FIRST_ROOM = 16 };

struct keep_chunk {
    struct keep_chunk *next;
    size_t used, room;
    char bytes[];
};

const char *keep_text(struct keep *keep, const char *text, struct err *err)
{
    size_t size = strlen(text) + 1;
    struct keep_chunk *chunk = keep->chunks;
    if (chunk == NULL || chunk->room - chunk->used < size) {
        size_t room = size > CHUNK_BYTES ? size : CHUNK_BYTES;
        chunk = malloc(sizeof *chunk + room);
        if (chunk == NULL) {
            err_nomem(err);
            return NULL;
        }
        chunk->next = keep->chunks;
        chunk->used = 0;
        chunk->room = room;
        keep->chunks = chunk;
    }
    char *copy = chunk->bytes + chunk->used;
    memcpy(copy, text, size);
    chunk->used += size;
    return copy;
}

void keep_release(struct keep *keep)
{
    while (keep->chunks != NULL) {
        struct keep_chunk *next = keep->chunks->next;
        free(keep->chunks);
        keep->chunks = next;
    }
}

void *keep_room(void *array, size_t n, size_t *room, size_t size, struct err *err)
{
    if (n < *room)
        return array;
    size_t more = *room > 0 ? *room * 2 : FIRST_ROOM;
    void *grown = realloc(array, more * size);
    if (grown == NULL) {
        err_nomem(err);
        return NULL;
    }
    *room = more;
    return grown;
}
