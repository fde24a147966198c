/*
 * paths.c - what changes in the thumbnails of a burst, followed from frame to frame.
 *
 * Water and leaves change too. A way is a subject's when it goes somewhere, or when it is not small beside
 * the largest one that does; small changes of places that keep changing are scenery. Where nothing goes
 * anywhere there is no telling, and the caller decodes everything. What is kept gets generous boxes, since a
 * mistake there costs decoding and not pictures: a way that ends inside the picture keeps its last place to
 * the end of the burst, since what came to rest there may have become part of the scene.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "thumbs.h"

enum {
    SPOTS = 16,   /* changes of one frame, largest first */
    PATHS = 128,  /* in a burst; later ones are joined to the last */
    GAP = 8,      /* frames that a way may be lost for ... */
    LEFT_GAP = 2, /* ... and at the edge of the picture, where it has left after that */
    LONE_GAP = 2, /* one spot after a longer gap, and none behind it, is no part of the way */
    SPOT_PX = 5,  /* a smaller change is noise ... */
    BORDER_PX = 3,
    FLIPS = 4,          /* of a px where something rested, and another one flew past */
    SHOWS_PX = 4,       /* changes that something which rests must show */
    PIECE_PX = 3,       /* between the pieces of one way */
    RESTLESS_TURNS = 5, /* a px that changes and changes back more often belongs to the scenery ... */
    RESTLESS_SHARE = 10 /* ... or once in so many frames, in a long burst */
};
static const float MOVING = .15f, /* share of its px that differ from a neighbour frame */
    SCENERY = .7f,                /* share of restless px in a spot of scenery */
    SCENERY_PX = 60,              /* and it is smaller than this */
    SMALL_SHARE = .1f,            /* of the largest subject's area: smaller ones must fly a long way */
    STILL_SHARE = .15f,           /* the same for what does not go anywhere */
    GHOST_SHARE = .25f,           /* of its usual area */
    DOUBT_NOISE = 6.0f,           /* spread of a px, in noises */
    HOLD_SHARE = .2f,             /* what is smaller does not keep its place */
    REST_SHARE = .5f, /* of its usual area: less is what is left of a subject that became part of the scene */
    MARGIN_PX = 2.0f, MARGIN_SHARE = .15f, LOWER_SHARE = .08f;

struct spot {
    struct box box;
    float area;
    bool moving;
    uint8_t path; /* that it belongs to */
};

struct path {
    size_t first, last, seen;
    struct box box, first_box;     /* where it was last and first */
    struct box whole, first_whole; /* the same, where all of it was seen */
    float vx, vy;                  /* px a frame, of its last step */
    float first_vx, first_vy;
    float area_sum, way; /* way: length of all its steps */
    size_t since_gap;    /* spots since it was lost for the last time */
    struct end {
        size_t last, seen;
        struct box box;
        float vx, vy, area_sum, way;
    } before_gap; /* the same as above, before it was lost */
    bool moves;
};

struct search {
    const struct thumbs *th;
    struct box *box;            /* of one way in each frame */
    float *lower;               /* of each frame: of all ways, with margin */
    struct spot (*spot)[SPOTS]; /* of each frame */
    uint8_t *spots;             /* how many */
    struct path path[PATHS];
    size_t paths;
    bool subject[PATHS]; /* of each path: not scenery */
    uint8_t *mask, *before, *turns;
    uint32_t *stack;
};

static float width_of(const struct box *b)
{
    return b->x1 - b->x0;
}

static float height_of(const struct box *b)
{
    return b->y1 - b->y0;
}

static float middle_x(const struct box *b)
{
    return .5f * (b->x0 + b->x1);
}

static float middle_y(const struct box *b)
{
    return .5f * (b->y0 + b->y1);
}

static bool changed_since(const struct thumbs *th, size_t t, size_t u, size_t i)
{
    return fabsf(thumbs_luma(th, t, i) - thumbs_luma(th, u, i)) > th->limit[i];
}

/* Px that turn more often are scenery. */
static size_t turns_of_scenery(const struct thumbs *th)
{
    return RESTLESS_TURNS > th->n / RESTLESS_SHARE ? RESTLESS_TURNS : th->n / RESTLESS_SHARE;
}

/* Takes the connected change around px `start` out of the mask. */
static struct spot take_spot(struct search *s, size_t t, uint32_t start)
{
    const struct thumbs *th = s->th;
    struct spot spot = {.box = {(float)th->cols, (float)th->rows, 0, 0}};
    size_t depth = 0, moving = 0, restless = 0, turns = turns_of_scenery(th);
    s->stack[depth++] = start;
    s->mask[start] = 0;
    while (depth > 0) {
        uint32_t i = s->stack[--depth], col = i % th->cols, row = i / th->cols;
        spot.area++;
        restless += s->turns[i] > turns;
        moving +=
            (t > 0 && changed_since(th, t, t - 1, i)) || (t + 1 < th->n && changed_since(th, t, t + 1, i));
        const struct box here = {(float)col, (float)row, (float)col + 1, (float)row + 1};
        spot.box.x0 = fminf(spot.box.x0, here.x0);
        spot.box.y0 = fminf(spot.box.y0, here.y0);
        spot.box.x1 = fmaxf(spot.box.x1, here.x1);
        spot.box.y1 = fmaxf(spot.box.y1, here.y1);
        uint32_t c0 = col > 0 ? col - 1 : col, c1 = col + 1 < th->cols ? col + 1 : col;
        uint32_t r0 = row > 0 ? row - 1 : row, r1 = row + 1 < th->rows ? row + 1 : row;
        for (uint32_t r = r0; r <= r1; r++)
            for (uint32_t c = c0; c <= c1; c++)
                if (s->mask[r * th->cols + c]) {
                    s->mask[r * th->cols + c] = 0;
                    s->stack[depth++] = r * th->cols + c;
                }
    }
    spot.moving = (float)moving >= MOVING * spot.area;
    if (spot.area < SCENERY_PX && (float)restless >= SCENERY * spot.area)
        spot.area = 0;
    return spot;
}

static void keep_spot(struct search *s, size_t t, const struct spot *spot)
{
    struct spot *list = s->spot[t];
    size_t n = s->spots[t], at = n;
    while (at > 0 && list[at - 1].area < spot->area)
        at--;
    if (at == SPOTS)
        return;
    if (n < SPOTS)
        n = ++s->spots[t];
    memmove(list + at + 1, list + at, (n - 1 - at) * sizeof *list);
    list[at] = *spot;
}

static void mark_changes(struct search *s, size_t t)
{
    const struct thumbs *th = s->th;
    for (size_t i = 0; i < th->px; i++)
        s->mask[i] = fabsf(thumbs_luma(th, t, i) - th->scene[i]) > th->limit[i];
}

/* How often each px changes or changes back: a subject that flies past turns it twice. */
static void count_turns(struct search *s)
{
    for (size_t t = 0; t < s->th->n; t++) {
        mark_changes(s, t);
        for (size_t i = 0; t > 0 && i < s->th->px; i++)
            s->turns[i] = (uint8_t)(s->turns[i] + (s->turns[i] < 255 && s->mask[i] != s->before[i]));
        uint8_t *swap = s->before;
        s->before = s->mask;
        s->mask = swap;
    }
}

static void find_spots(struct search *s, size_t t)
{
    const struct thumbs *th = s->th;
    mark_changes(s, t);
    for (uint32_t i = 0; i < th->px; i++) {
        if (!s->mask[i])
            continue;
        struct spot spot = take_spot(s, t, i);
        if (spot.area >= SPOT_PX)
            keep_spot(s, t, &spot);
    }
}

/* How badly a spot fits a way: distance from where it was or would be, in sizes; below 1 is a fit. */
static float misfit(const struct path *p, const struct spot *spot, size_t t)
{
    float steps = (float)(t - p->last);
    float size = fmaxf(fmaxf(width_of(&p->box), height_of(&p->box)),
                       fmaxf(width_of(&spot->box), height_of(&spot->box)));
    float x = middle_x(&spot->box) - middle_x(&p->box), y = middle_y(&spot->box) - middle_y(&p->box);
    float still = hypotf(x, y), going = hypotf(x - steps * p->vx, y - steps * p->vy);
    float ratio = fabsf(logf(spot->area * (float)p->seen / p->area_sum));
    return fminf(still, going) / (8 + 1.2f * size) + .4f * fmaxf(ratio - 1.1f, 0);
}

static void start_path(struct search *s, size_t t, struct spot *spot)
{
    if (s->paths == PATHS) { /* water all over: one way stands for the rest */
        struct path *p = &s->path[PATHS - 1];
        box_join(&p->first_box, &spot->box);
        box_join(&p->box, &spot->box);
        spot->path = PATHS - 1;
        return;
    }
    spot->path = (uint8_t)s->paths;
    s->path[s->paths++] = (struct path){.first = t,
                                        .last = t,
                                        .seen = 1,
                                        .box = spot->box,
                                        .first_box = spot->box,
                                        .area_sum = spot->area,
                                        .moves = spot->moving};
}

static void note_gap(struct path *p, size_t t)
{
    if (t - p->last > LONE_GAP + 1) {
        p->before_gap = (struct end){p->last, p->seen, p->box, p->vx, p->vy, p->area_sum, p->way};
        p->since_gap = 0;
    }
    p->since_gap++;
}

/* Takes a lone last spot off again. */
static void trim(struct path *p)
{
    const struct end *e = &p->before_gap;
    if (e->seen == 0 || p->since_gap > 1)
        return;
    p->last = e->last;
    p->seen = e->seen;
    p->box = e->box;
    p->vx = e->vx;
    p->vy = e->vy;
    p->area_sum = e->area_sum;
    p->way = e->way;
}

static void go_on(struct search *s, struct path *p, size_t t, struct spot *spot)
{
    note_gap(p, t);
    float steps = (float)(t - p->last), x = middle_x(&spot->box) - middle_x(&p->box),
          y = middle_y(&spot->box) - middle_y(&p->box);
    spot->path = (uint8_t)(p - s->path);
    p->vx = x / steps;
    p->vy = y / steps;
    if (p->seen == 1) {
        p->first_vx = p->vx;
        p->first_vy = p->vy;
    }
    p->way += hypotf(x, y);
    p->box = spot->box;
    p->last = t;
    p->seen++;
    p->area_sum += spot->area;
    p->moves = p->moves || spot->moving;
}

static bool at_border(const struct thumbs *th, const struct box *b, float dx, float dy)
{
    return b->x0 + dx <= BORDER_PX || b->y0 + dy <= BORDER_PX || b->x1 + dx >= (float)th->cols - BORDER_PX ||
           b->y1 + dy >= (float)th->rows - BORDER_PX;
}

static bool has_left(const struct thumbs *th, const struct path *p, size_t t)
{
    return t - p->last > LEFT_GAP + 1 && at_border(th, &p->box, 0, 0);
}

static void follow(struct search *s, size_t t)
{
    bool taken[SPOTS] = {false};
    for (;;) { /* the best fit first */
        float best = 1;
        struct path *who = NULL;
        size_t what = 0;
        for (size_t k = 0; k < s->paths; k++) {
            struct path *p = &s->path[k];
            if (p->last == t || t - p->last > GAP + 1 || has_left(s->th, p, t))
                continue;
            for (size_t i = 0; i < s->spots[t]; i++) {
                float fit = taken[i] ? 1 : misfit(p, &s->spot[t][i], t);
                if (fit < best) {
                    best = fit;
                    who = p;
                    what = i;
                }
            }
        }
        if (who == NULL)
            break;
        taken[what] = true;
        go_on(s, who, t, &s->spot[t][what]);
    }
    for (size_t i = 0; i < s->spots[t]; i++)
        if (!taken[i])
            start_path(s, t, &s->spot[t][i]);
}

static struct box moved(const struct box *b, float dx, float dy)
{
    return (struct box){b->x0 + dx, b->y0 + dy, b->x1 + dx, b->y1 + dy};
}

static float mean_area(const struct path *p)
{
    return p->area_sum / (float)p->seen;
}

/* It goes somewhere, and without wandering about: `strict` leaves no chance to sparks of the water that
   happen to lie in a row. */
static bool travels(const struct path *p, bool strict)
{
    float far =
        hypotf(middle_x(&p->box) - middle_x(&p->first_box), middle_y(&p->box) - middle_y(&p->first_box));
    float size = sqrtf(mean_area(p)), seen = (float)p->seen / (float)(p->last - p->first + 1);
    if (!p->moves)
        return false;
    return strict ? p->seen >= 6 && seen > .85f && far > 6 + 4 * size && far > .7f * p->way
                  : p->seen >= 3 && seen > .4f && far > 2 * size && far > .4f * p->way;
}

static bool is_subject(const struct path *p, float largest_px)
{
    float share = mean_area(p) / largest_px;
    return travels(p, true) || (travels(p, false) && share > SMALL_SHARE) ||
           (p->seen >= 3 && share > STILL_SHARE);
}

/* Where the way is in frame t, and how large its changes are there; empty where it is lost. */
static struct box place_at(const struct search *s, size_t path, size_t t, float *area)
{
    struct box here = {0, 0, 0, 0};
    *area = 0;
    for (size_t i = 0; i < s->spots[t]; i++)
        if (s->spot[t][i].path == path) {
            box_join(&here, &s->spot[t][i].box);
            *area += s->spot[t][i].area;
        }
    return here;
}

/* A subject that came to rest becomes part of the scene, and only a rest of it still differs: it then keeps
   the last place where all of it was seen. `step` = 1 follows the way forwards, -1 backwards. */
static void keep_whole(struct search *s, size_t path, int step)
{
    struct path *p = &s->path[path];
    struct box whole = {0, 0, 0, 0};
    float usual = mean_area(p);
    for (size_t k = 0; k <= p->last - p->first; k++) {
        size_t t = step > 0 ? p->first + k : p->last - k;
        float area;
        struct box here = place_at(s, path, t, &area);
        if (area >= REST_SHARE * usual)
            whole = here;
        else if (!box_empty(&here) && !box_empty(&whole) && !at_border(s->th, &here, 0, 0))
            box_join(&s->box[t], &whole);
    }
    *(step > 0 ? &p->whole : &p->first_whole) = whole;
}

/* The places of a way, gaps filled with both their ends. */
static void join_places(struct search *s, size_t path)
{
    const struct path *p = &s->path[path];
    struct box last = p->first_box;
    size_t gap = 0;
    float area;
    for (size_t t = p->first; t <= p->last; t++) {
        struct box here = place_at(s, path, t, &area);
        if (box_empty(&here)) {
            gap++;
            continue;
        }
        struct box both = last;
        box_join(&both, &here);
        for (; gap > 0; gap--)
            box_join(&s->box[t - gap], &both);
        box_join(&s->box[t], &here);
        last = here;
    }
    keep_whole(s, path, 1);
    keep_whole(s, path, -1);
}

/* Does another subject's way stand at this place in frame t? Then this one is a piece of it. */
static bool is_piece(const struct search *s, size_t path, size_t t, const struct box *at)
{
    for (size_t i = 0; i < s->spots[t]; i++) {
        const struct spot *spot = &s->spot[t][i];
        if (spot->path != path && s->subject[spot->path] && spot->box.x0 < at->x1 + PIECE_PX &&
            spot->box.x1 > at->x0 - PIECE_PX && spot->box.y0 < at->y1 + PIECE_PX &&
            spot->box.y1 > at->y0 - PIECE_PX)
            return true;
    }
    return false;
}

/* Px of a box that differ from the scene in frame t, without those that belong to the scenery. */
static size_t changes_in(const struct search *s, size_t t, const struct box *b)
{
    const struct thumbs *th = s->th;
    size_t n = 0, many = turns_of_scenery(th);
    uint32_t left = (uint32_t)fmaxf(b->x0, 0), top = (uint32_t)fmaxf(b->y0, 0);
    for (uint32_t row = top; row < th->rows && (float)row < b->y1; row++)
        for (uint32_t col = left; col < th->cols && (float)col < b->x1; col++) {
            size_t i = (size_t)row * th->cols + col;
            n += s->turns[i] <= many && fabsf(thumbs_luma(th, t, i) - th->scene[i]) > th->limit[i];
        }
    return n;
}

static bool overlaps(const struct box *a, const struct box *b)
{
    return !box_empty(a) && a->x0 < b->x1 && a->x1 > b->x0 && a->y0 < b->y1 && a->y1 > b->y0;
}

/* How often px i comes to or leaves what it shows at the farthest from the scene. */
static size_t flips_of(const struct thumbs *th, size_t i)
{
    float far = 0;
    for (size_t t = 0; t < th->n; t++)
        far = fmaxf(far, fabsf(thumbs_luma(th, t, i) - th->scene[i]));
    size_t flips = 0;
    bool before = false;
    for (size_t t = 0; t < th->n; t++) {
        bool now = fabsf(thumbs_luma(th, t, i) - th->scene[i]) > .5f * far;
        flips += t > 0 && now != before;
        before = now;
    }
    return flips;
}

/* Px of a box at which the scene is of two minds: something was there for about half of the time. */
static size_t doubts_in(const struct search *s, const struct box *b)
{
    const struct thumbs *th = s->th;
    size_t n = 0;
    uint32_t left = (uint32_t)fmaxf(b->x0, 0), top = (uint32_t)fmaxf(b->y0, 0);
    for (uint32_t row = top; row < th->rows && (float)row < b->y1; row++)
        for (uint32_t col = left; col < th->cols && (float)col < b->x1; col++) {
            size_t i = (size_t)row * th->cols + col;
            n += th->spread[i] > DOUBT_NOISE * fmaxf(th->noise, .5f) && flips_of(th, i) <= FLIPS;
        }
    return n;
}

/* May the scene show a subject at this place? Then frames without it differ there, or the scene is in doubt.
 */
static bool scene_shows(const struct search *s, size_t path, const struct box *at)
{
    float area, usual = mean_area(&s->path[path]);
    size_t away = 0, differ = 0;
    if ((float)doubts_in(s, at) > GHOST_SHARE * usual)
        return true;
    for (size_t t = 0; t < s->th->n; t++) {
        struct box here = place_at(s, path, t, &area);
        if (overlaps(&here, at))
            continue;
        away++;
        differ += (float)changes_in(s, t, at) > GHOST_SHARE * usual;
    }
    return 2 * differ >= away;
}

/* A way that starts or ends inside the picture: frame t keeps the place where that was, unless nothing is to
   be seen there. */
static void keep_place(struct search *s, size_t t, const struct box *place, bool scene_has_it)
{
    if (scene_has_it || changes_in(s, t, place) >= SHOWS_PX)
        box_join(&s->box[t], place);
}

/* One frame more at either end of a way; with `hold` to the end of the burst where it did not leave the
 * picture.
 */
static void extend(struct search *s, size_t path, bool hold)
{
    const struct thumbs *th = s->th;
    const struct path *p = &s->path[path];
    struct box before = moved(&p->first_box, -p->first_vx, -p->first_vy),
               after = moved(&p->box, p->vx, p->vy);
    bool entered = !hold || at_border(th, &p->first_box, 0, 0) || at_border(th, &before, 0, 0) ||
                   is_piece(s, path, p->first, &p->first_box) ||
                   (p->first > 0 && is_piece(s, path, p->first - 1, &before));
    bool left = !hold || at_border(th, &p->box, 0, 0) || at_border(th, &after, 0, 0) ||
                is_piece(s, path, p->last, &p->box) ||
                (p->last + 1 < th->n && is_piece(s, path, p->last + 1, &after));
    box_join(&before, &p->first_box);
    box_join(&after, &p->box);
    if (!entered)
        box_join(&before, &p->first_whole);
    if (!left)
        box_join(&after, &p->whole);
    if (p->first > 0)
        box_join(&s->box[p->first - 1], &before);
    if (p->last + 1 < th->n)
        box_join(&s->box[p->last + 1], &after);
    bool came = !entered && scene_shows(s, path, &before), stays = !left && scene_shows(s, path, &after);
    for (size_t t = 0; !entered && t + 1 < p->first; t++)
        keep_place(s, t, &before, came);
    for (size_t t = p->last + 2; !left && t < th->n; t++)
        keep_place(s, t, &after, stays);
}

static bool search_open(struct search *s, const struct thumbs *th)
{
    s->th = th;
    s->box = calloc(th->n, sizeof *s->box);
    s->lower = calloc(th->n, sizeof *s->lower);
    s->spot = calloc(th->n, sizeof *s->spot);
    s->spots = calloc(th->n, 1);
    s->mask = malloc(th->px);
    s->before = malloc(th->px);
    s->turns = calloc(th->px, 1);
    s->stack = malloc(th->px * sizeof *s->stack);
    return s->box != NULL && s->lower != NULL && s->spot != NULL && s->spots != NULL && s->mask != NULL &&
           s->before != NULL && s->turns != NULL && s->stack != NULL;
}

static void search_release(struct search *s)
{
    free(s->box);
    free(s->lower);
    free(s->spot);
    free(s->spots);
    free(s->mask);
    free(s->before);
    free(s->turns);
    free(s->stack);
    free(s);
}

static void tell(struct search *s, struct paths_told *told)
{
    for (size_t k = 0; k < s->paths; k++)
        if (travels(&s->path[k], false))
            told->largest_px = fmaxf(told->largest_px, mean_area(&s->path[k]));
    for (size_t t = 0; t < s->th->n; t++) {
        bool moving = false;
        for (size_t i = 0; i < s->spots[t]; i++)
            moving = moving || (s->spot[t][i].moving && s->spot[t][i].area > SMALL_SHARE * told->largest_px);
        told->moving_frames += moving;
    }
}

static bool cut(const struct thumbs *th, const struct box *b)
{
    return b->x0 <= 0 || b->y0 <= 0 || b->x1 >= (float)th->cols || b->y1 >= (float)th->rows;
}

/* Where the way is lost between its ends, something hides it, or it hides in the noise: complete, for all
   that is known. */
static void tell_way(const struct search *s, size_t path, struct locate_frame *frame)
{
    const struct path *p = &s->path[path];
    for (size_t t = p->first; t <= p->last; t++) {
        float area;
        struct box here = place_at(s, path, t, &area);
        bool complete = box_empty(&here) || !cut(s->th, &here);
        frame[t].complete = frame[t].complete || complete;
        frame[t].way = frame[t].way == 0 ? (uint16_t)(path + 1) : LOCATE_SEVERAL;
    }
}

/* The box of frame t with those of both neighbours. */
static struct box with_neighbours(const struct box *box, size_t t, size_t n)
{
    struct box b = box[t];
    if (t > 0)
        box_join(&b, &box[t - 1]);
    if (t + 1 < n)
        box_join(&b, &box[t + 1]);
    return b;
}

/* Joins a way to what is known of the others; *lower of each frame grows to its lower edge. */
static void add_way(struct search *s, size_t path, bool hold, struct box *box, float *lower)
{
    memset(s->box, 0, s->th->n * sizeof *s->box);
    join_places(s, path);
    extend(s, path, hold);
    for (size_t t = 0; t < s->th->n; t++) {
        box_join(&box[t], &s->box[t]);
        if (box_empty(&s->box[t]))
            continue;
        struct box b = with_neighbours(s->box, t, s->th->n);
        lower[t] = fmaxf(lower[t], b.y1 + MARGIN_PX + LOWER_SHARE * height_of(&b));
    }
}

/* With the neighbours and a margin: the thumbnail is coarse and the mask has soft edges. The lower edge costs
   most, since every row above it is read bit by bit: there each way has a margin of its own, and none for the
   distance between two. */
static void widen(const struct thumbs *th, const struct box *box, const float *lower, struct box *wide)
{
    for (size_t t = 0; t < th->n; t++) {
        if (box_empty(&box[t]))
            continue;
        struct box b = with_neighbours(box, t, th->n);
        float x = MARGIN_PX + MARGIN_SHARE * width_of(&b), y = MARGIN_PX + MARGIN_SHARE * height_of(&b);
        wide[t] = (struct box){fmaxf(b.x0 - x, 0), fmaxf(b.y0 - y, 0), fminf(b.x1 + x, (float)th->cols),
                               fminf(lower[t], (float)th->rows)};
    }
}

bool paths_find(const struct thumbs *thumbs, struct box *box, struct box *wide, struct locate_frame *frame,
                struct paths_told *told, struct err *err)
{
    struct search *s = calloc(1, sizeof *s);
    *told = (struct paths_told){0};
    if (s == NULL)
        return err_nomem(err);
    if (!search_open(s, thumbs)) {
        search_release(s);
        return err_nomem(err);
    }
    count_turns(s);
    for (size_t t = 0; t < thumbs->n; t++) {
        find_spots(s, t);
        follow(s, t);
    }
    for (size_t k = 0; k < s->paths; k++)
        trim(&s->path[k]);
    tell(s, told);
    for (size_t k = 0; k < s->paths; k++)
        s->subject[k] = is_subject(&s->path[k], told->largest_px);
    for (size_t k = 0; k < s->paths; k++)
        if (s->subject[k]) {
            add_way(s, k, mean_area(&s->path[k]) > HOLD_SHARE * told->largest_px, box, s->lower);
            tell_way(s, k, frame);
        }
    widen(thumbs, box, s->lower, wide);
    search_release(s);
    return true;
}
