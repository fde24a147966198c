/* locate.c - the parts of a burst's frames that must be decoded, or why all of them must. */
#include "chaffinch/locate.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "thumbs.h"

enum {
    SHORT_BURST = 20,
    KEYS_MIN = 3,     /* frames decoded as a whole */
    SAMPLES = 2,      /* of them, that every px of the scene should have without a subject ... */
    SAMPLES_REST = 3, /* ... and where one sits, which is told from the scene by what varies least */
    KEYS_MAX = 6,
    COARSE = 4,       /* px of the grid that samples are counted on */
    FEW_PLACES = 100, /* a key that helps fewer than one place in so many is not worth its decode */
};
static const float SHIFT_MAX_PX = .3f, NOISE_MAX = 2.0f, SMALL_PX = 10.0f, REST_MARGIN_PX = 4.0f,
                   COST_MAX = .7f, SCENERY_SHARE = .4f, CHEAP = .6f, HIDES = 2.0f, HIDES_ALL = 6.0f,
                   HIDES_TWICE = 10.0f,
                   OFF = .2f; /* decodes that it costs when a key hides the scene, when few others show it, or
                                 the place of another key, or when it is not in the middle */

const char *locate_answer_words(enum locate_answer answer)
{
    static const char *const words[LOCATE_ANSWERS] = {"parts",
                                                      "no thumbnails",
                                                      "odd thumbnails",
                                                      "the camera moves",
                                                      "nothing moves",
                                                      "noisy thumbnails",
                                                      "short burst",
                                                      "small subject",
                                                      "changes all over the frame"};
    return words[answer < LOCATE_ANSWERS ? answer : 0];
}

static bool camera_moves(const struct thumbs *th)
{
    size_t moved = 0;
    for (size_t t = 0; t < th->n; t++) {
        float col, row;
        thumbs_shift(th, t, &col, &row);
        moved += hypotf(col, row) > SHIFT_MAX_PX;
    }
    return moved * 20 > th->n;
}

/* The frames whose box must be decoded say which place needs samples; keys give them. */
struct cover {
    uint32_t cols, rows;
    uint8_t *wanted, *have; /* coarse */
};

static bool box_has(const struct box *b, uint32_t col, uint32_t row)
{
    float x = (float)(col * COARSE), y = (float)(row * COARSE);
    return !box_empty(b) && b->x0 < x + COARSE && b->x1 > x && b->y0 < y + COARSE && b->y1 > y;
}

static size_t gain_of_key(const struct cover *c, const struct box *b, size_t samples)
{
    size_t better = 0;
    for (uint32_t r = 0; r < c->rows; r++)
        for (uint32_t k = 0; k < c->cols; k++) {
            size_t i = (size_t)r * c->cols + k;
            better += c->wanted[i] && c->have[i] < samples && !box_has(b, k, r);
        }
    return better;
}

static void add_key(struct cover *c, const struct box *b, struct locate_frame *frame)
{
    frame->whole = true;
    for (uint32_t r = 0; r < c->rows; r++)
        for (uint32_t k = 0; k < c->cols; k++)
            c->have[(size_t)r * c->cols + k] =
                (uint8_t)(c->have[(size_t)r * c->cols + k] + !box_has(b, k, r));
}

static float area_of(const struct box *b)
{
    return box_empty(b) ? 0 : (b->x1 - b->x0) * (b->y1 - b->y0);
}

static float overlap_of(const struct box *a, const struct box *b)
{
    float wide = fminf(a->x1, b->x1) - fmaxf(a->x0, b->x0), high = fminf(a->y1, b->y1) - fmaxf(a->y0, b->y0);
    return box_empty(a) || box_empty(b) || wide <= 0 || high <= 0 ? 0 : wide * high;
}

/* Share of a full decode that a part costs. Measured on 20-megapixel files with libjpeg-turbo 2.1.5: .786 of
   the bits above the part, .901 of those beside it, .103 + .044 of its area; bits are taken to lie evenly. */
static float cost_of_part(const struct locate_box *b)
{
    float high = b->y1 - b->y0, wide = b->x1 - b->x0;
    return wide > 0 ? .786f * b->y0 + .901f * high + .147f * high * wide : 0;
}

/* In each of `spans` spans the frame that costs least beyond the part that must be decoded anyway, near the
   middle where several do. Its box hides the scene, and must not lie on that of an earlier key: else a
   further key would be needed there. */
static size_t key_of_span(const struct thumbs *th, const struct box *box, const struct locate_frame *frame,
                          size_t span, size_t spans)
{
    size_t first = span * th->n / spans, end = (span + 1) * th->n / spans, best = first;
    float best_cost = INFINITY, px = (float)th->px, hides = spans < KEYS_MIN ? HIDES_ALL : HIDES;
    for (size_t t = first; t < end; t++) {
        float off = fabsf((float)(2 * t) - (float)(first + end)) / (float)(end - first);
        float cost = 1 - cost_of_part(&frame[t].part) + hides * area_of(&box[t]) / px + OFF * off;
        for (size_t u = 0; u < first; u++)
            cost += frame[u].whole ? HIDES_TWICE * overlap_of(&box[t], &box[u]) / px : 0;
        if (cost < best_cost) {
            best_cost = cost;
            best = t;
        }
    }
    return best;
}

static bool cover_open(struct cover *c, const struct thumbs *th, const struct box *box)
{
    c->cols = (th->cols + COARSE - 1) / COARSE;
    c->rows = (th->rows + COARSE - 1) / COARSE;
    c->wanted = calloc((size_t)c->cols * c->rows, 1);
    c->have = calloc((size_t)c->cols * c->rows, 1);
    if (c->wanted == NULL || c->have == NULL)
        return false;
    for (uint32_t r = 0; r < c->rows; r++)
        for (uint32_t k = 0; k < c->cols; k++)
            for (size_t t = 0; t < th->n && !c->wanted[(size_t)r * c->cols + k]; t++)
                c->wanted[(size_t)r * c->cols + k] = !box_has(&box[t], k, r);
    return true;
}

/* `exactly` so many; 0 = KEYS_MIN, and more until every place has `samples`. */
static bool choose_keys(const struct thumbs *th, const struct box *box, size_t exactly, size_t samples,
                        struct locate_frame *frame, struct err *err)
{
    struct cover cover = {0};
    bool ok = cover_open(&cover, th, box) || err_nomem(err);
    size_t least = exactly > 0 ? exactly : KEYS_MIN;
    for (size_t k = 0; ok && k < least; k++) {
        size_t key = key_of_span(th, box, frame, k, least);
        add_key(&cover, &box[key], &frame[key]);
    }
    for (size_t keys = least; ok && exactly == 0 && keys < KEYS_MAX; keys++) {
        size_t best = 0, most = 0;
        for (size_t t = 0; t < th->n; t++) {
            size_t better = frame[t].whole ? 0 : gain_of_key(&cover, &box[t], samples);
            if (better > most) {
                most = better;
                best = t;
            }
        }
        if (most * FEW_PLACES < (size_t)cover.cols * cover.rows)
            break;
        add_key(&cover, &box[best], &frame[best]);
    }
    free(cover.wanted);
    free(cover.have);
    return ok;
}

static struct locate_box share_of(const struct thumbs *th, const struct box *b)
{
    if (box_empty(b))
        return (struct locate_box){0};
    return (struct locate_box){b->x0 / (float)th->cols, b->y0 / (float)th->rows, b->x1 / (float)th->cols,
                               b->y1 / (float)th->rows};
}

static enum locate_answer judge(const struct thumbs *th, const struct box *box, const struct paths_told *told)
{
    size_t empty = 0, least = th->n * 8 / 100 > 2 ? th->n * 8 / 100 : 2;
    for (size_t t = 0; t < th->n; t++)
        empty += box_empty(&box[t]);
    if (told->moving_frames < least)
        return LOCATE_NOTHING_MOVES;
    if (th->n < SHORT_BURST && empty == 0)
        return LOCATE_SHORT;
    if (told->largest_px < SMALL_PX)
        return LOCATE_SMALL_SUBJECT;
    return LOCATE_PARTS;
}

static float cost_of(const struct locate_frame *frame, size_t n)
{
    float sum = 0;
    for (size_t t = 0; t < n; t++)
        sum += frame[t].whole ? 1 : cost_of_part(&frame[t].part);
    return sum / (float)n;
}

static void set_frames(const struct thumbs *th, const struct box *wide, struct locate_frame *frame)
{
    for (size_t t = 0; t < th->n; t++) {
        struct locate_box b = share_of(th, &wide[t]);
        frame[t].part = frame[t].subject = b;
        frame[t].gain = th->gain[t];
    }
}

/* Another subject may sit in the picture while one flies: its place is decoded too, in every frame where that
   is cheap, else in the frames that would be empty without it. Restless places all over are water and leaves.
 */
static bool add_rest(const struct thumbs *th, float largest_px, struct box *wide, struct locate_frame *frame,
                     bool *rests, struct err *err)
{
    struct box rest;
    if (!thumbs_rest(th, largest_px, &rest, err))
        return false;
    bool known = !box_empty(&rest) && area_of(&rest) < SCENERY_SHARE * (float)th->px;
    *rests = known;
    rest = (struct box){fmaxf(rest.x0 - REST_MARGIN_PX, 0), fmaxf(rest.y0 - REST_MARGIN_PX, 0),
                        fminf(rest.x1 + REST_MARGIN_PX, (float)th->cols),
                        fminf(rest.y1 + REST_MARGIN_PX, (float)th->rows)};
    struct box *both = calloc(th->n, sizeof *both);
    if (both == NULL)
        return err_nomem(err);
    for (size_t t = 0; t < th->n; t++) {
        both[t] = wide[t];
        if (known)
            box_join(&both[t], &rest);
    }
    set_frames(th, both, frame);
    bool cheap = cost_of(frame, th->n) < CHEAP;
    for (size_t t = 0; known && t < th->n; t++)
        if (cheap || box_empty(&wide[t]))
            wide[t] = both[t];
    free(both);
    return true;
}

static bool locate_over(const struct thumbs *th, size_t keys, struct locate_frame *frame,
                        enum locate_answer *answer, struct err *err)
{
    struct paths_told told;
    struct box *box = calloc(th->n, sizeof *box), *wide = calloc(th->n, sizeof *wide);
    bool ok = (box != NULL && wide != NULL) || err_nomem(err);
    ok = ok && paths_find(th, box, wide, frame, &told, err);
    if (ok && (*answer = judge(th, box, &told)) == LOCATE_PARTS) {
        bool rests = false;
        ok = add_rest(th, told.largest_px, wide, frame, &rests, err);
        set_frames(th, wide, frame);
        ok = ok && choose_keys(th, wide, keys, rests ? SAMPLES_REST : SAMPLES, frame, err);
        if (ok && cost_of(frame, th->n) > COST_MAX)
            *answer = LOCATE_NO_GAIN;
    }
    free(box);
    free(wide);
    return ok;
}

static bool any_missing(const struct locate_input *in)
{
    for (size_t t = 0; t < in->n; t++)
        if (in->luma[t] == NULL)
            return true;
    return false;
}

bool locate_subjects(const struct locate_input *in, struct locate_frame *frame, enum locate_answer *answer,
                     struct err *err)
{
    struct thumbs th = {0};
    bool odd = false, ok = true;
    for (size_t t = 0; t < in->n; t++)
        frame[t] = (struct locate_frame){.gain = 1};
    if (in->n < 5)
        *answer = LOCATE_SHORT;
    else if (any_missing(in))
        *answer = LOCATE_NO_THUMBNAIL;
    else if (in->width < 32 || in->height < 32 || in->width > 640 || in->height > 640 ||
             in->frame_height == 0)
        *answer = LOCATE_ODD_THUMBNAIL;
    else if ((ok = thumbs_open(&th, in, &odd, err))) {
        if (odd)
            *answer = LOCATE_ODD_THUMBNAIL;
        else if (th.noise > NOISE_MAX)
            *answer = LOCATE_NOISY;
        else if (camera_moves(&th))
            *answer = LOCATE_CAMERA_MOVES;
        else
            ok = locate_over(&th, in->keys, frame, answer, err);
    }
    thumbs_release(&th);
    for (size_t t = 0; ok && *answer != LOCATE_PARTS && t < in->n; t++)
        frame[t] = (struct locate_frame){.whole = true, .gain = 1};
    return ok;
}
