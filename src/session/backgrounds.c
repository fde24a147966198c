/* The empty background of a set-up, for looking at. */
#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/decode.h"
#include "setups.h"

enum { QUALITY = 90 };

struct search {
    struct session *s;
    int64_t setup;
    struct background found;
};

/* The first burst of the set-up whose background is there. */
static bool try_burst(void *context, const struct catalogue_burst *burst, struct err *err)
{
    struct search *search = context;
    (void)err;
    if (burst->setup == search->setup && search->found.luma == NULL)
        setups_load_background(search->s, burst->stamp, &search->found);
    return true;
}

static bool draw(const struct background *b, uint8_t **jpeg, size_t *size, struct err *err)
{
    size_t n = (size_t)b->head.cols * b->head.rows;
    struct decode_picture picture = {
        .width_px = b->head.cols, .height_px = b->head.rows, .rgb = malloc(n * 3)};
    if (picture.rgb == NULL)
        return err_nomem(err);
    for (size_t i = 0; i < n; i++)
        memset(picture.rgb + 3 * i, (int)lrintf(fminf(fmaxf(b->luma[i], 0), 255)), 3);
    bool ok = decode_encode_jpeg(&picture, QUALITY, jpeg, size, err);
    decode_picture_release(&picture);
    return ok;
}

bool session_background(struct session *s, int64_t setup, uint8_t **jpeg, size_t *size, struct err *err)
{
    struct search search = {.s = s, .setup = setup};
    bool ok = catalogue_each_burst(s->catalogue, try_burst, &search, err);
    if (ok && search.found.luma == NULL)
        ok = err_set(err, ERR_NOT_FOUND, "no background of set-up %" PRId64 " is kept", setup);
    ok = ok && draw(&search.found, jpeg, size, err);
    free(search.found.bytes);
    return ok;
}
