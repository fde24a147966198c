/* cache.c - rendered bursts on disk: one file a burst, for this machine only. */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "truth.h"

static const char MAGIC[8] = "CFBENCH1";

struct head {
    char magic[8];
    uint32_t n, width_px, head_decides, frame_bytes;
    double render_s;
};

void burst_release(struct bench_burst *b)
{
    for (uint32_t f = 0; b->frame != NULL && f < b->n; f++)
        free(b->frame[f].packed);
    free(b->frame);
    *b = (struct bench_burst){0};
}

static bool load_frames(FILE *file, struct bench_burst *b)
{
    for (uint32_t f = 0; f < b->n; f++) {
        struct bench_frame *q = &b->frame[f];
        bool whole = fread(q, sizeof *q, 1, file) == 1;
        q->packed = NULL; /* what was read is an address of another run */
        if (!whole || q->packed_bytes > ((size_t)1 << 28) || (q->packed = malloc(q->packed_bytes)) == NULL ||
            fread(q->packed, 1, q->packed_bytes, file) != q->packed_bytes)
            return false;
    }
    return true;
}

bool cache_load(const char *path, struct bench_burst *b)
{
    struct head head;
    FILE *file = fopen(path, "rb");
    if (file == NULL)
        return false;
    bool good = fread(&head, sizeof head, 1, file) == 1 && memcmp(head.magic, MAGIC, sizeof MAGIC) == 0 &&
                head.frame_bytes == sizeof(struct bench_frame) && head.n <= BENCH_FRAMES;
    struct bench_burst in = {.n = good ? head.n : 0,
                             .width_px = head.width_px,
                             .head_decides = head.head_decides,
                             .render_s = head.render_s};
    in.frame = good ? calloc(in.n, sizeof *in.frame) : NULL;
    good = in.frame != NULL && load_frames(file, &in);
    fclose(file);
    if (good)
        *b = in;
    else
        burst_release(&in);
    return good;
}

bool cache_store(const char *path, const struct bench_burst *b)
{
    char beside[4096];
    struct head head = {.n = b->n,
                        .width_px = b->width_px,
                        .head_decides = b->head_decides,
                        .frame_bytes = sizeof(struct bench_frame),
                        .render_s = b->render_s};
    memcpy(head.magic, MAGIC, sizeof MAGIC);
    snprintf(beside, sizeof beside, "%s.%ld", path, (long)getpid());
    FILE *file = fopen(beside, "wb");
    if (file == NULL)
        return false;
    bool good = fwrite(&head, sizeof head, 1, file) == 1;
    for (uint32_t f = 0; good && f < b->n; f++)
        good = fwrite(&b->frame[f], sizeof b->frame[f], 1, file) == 1 &&
               fwrite(b->frame[f].packed, 1, b->frame[f].packed_bytes, file) == b->frame[f].packed_bytes;
    good = fclose(file) == 0 && good && rename(beside, path) == 0;
    if (!good)
        remove(beside);
    return good;
}
