/* region.c - tracks become the regions that other modules read. */
#include "track.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void regions_free(struct subject_frame *frame, size_t n)
{
    for (size_t t = 0; frame != NULL && t < n; t++)
        for (size_t k = 0; k < frame[t].n_regions; k++)
            free(frame[t].region[k].mask);
    free(frame);
}

static bool crop(const struct scene *scene, const uint8_t *full, struct subject_region *region,
                 struct err *err)
{
    region->mask = malloc((size_t)region->cols * region->rows);
    if (region->mask == NULL)
        return err_nomem(err);
    for (uint32_t r = 0; r < region->rows; r++)
        for (uint32_t c = 0; c < region->cols; c++) {
            size_t i = (size_t)(region->row + r) * scene->cols + region->col + c;
            region->mask[(size_t)r * region->cols + c] = full[i];
        }
    return true;
}

/* Box, area and centre of the mask; false when it is empty. */
static bool extent(const struct scene *scene, const uint8_t *full, struct subject_region *region)
{
    uint32_t col0 = scene->cols, row0 = scene->rows, col1 = 0, row1 = 0, area = 0;
    double col = 0, row = 0;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++) {
            if (!full[(size_t)r * scene->cols + c])
                continue;
            area++;
            col += c;
            row += r;
            col0 = c < col0 ? c : col0;
            col1 = c > col1 ? c : col1;
            row0 = r < row0 ? r : row0;
            row1 = r > row1 ? r : row1;
        }
    if (area == 0)
        return false;
    region->col = col0;
    region->row = row0;
    region->cols = col1 - col0 + 1;
    region->rows = row1 - row0 + 1;
    region->area_cells = area;
    region->centre_col = (float)(col / area);
    region->centre_row = (float)(row / area);
    region->touches_border = col0 == 0 || row0 == 0 || col1 + 1 == scene->cols || row1 + 1 == scene->rows;
    return true;
}

bool region_add(const struct scene *scene, size_t t, const uint8_t *full, uint32_t pass, float moving,
                float confidence, const struct backdrop *backdrop, struct subject_burst *found,
                struct err *err)
{
    struct subject_frame *frame = &found->frame[scene->index[t]];
    struct subject_region region = {.pass = pass, .moving = moving, .confidence = confidence};
    if (frame->n_regions == SUBJECT_MAX_REGIONS || !extent(scene, full, &region) ||
        (float)region.cols > SUBJECT_WIDEST * (float)scene->cols)
        return true;
    if ((backdrop != NULL && !region_edges(scene, t, full, backdrop, &region, err)) ||
        !crop(scene, full, &region, err))
        return false;
    frame->region[frame->n_regions++] = region;
    return true;
}

/* Cells that look like the scene although the subject is all round them, and those beside: something stands
   before it. And cells of scenery that moves. */
static void mark_doubtful(const struct scene *scene, const struct layer *layer, size_t t, uint8_t *full)
{
    size_t i = 0;
    for (uint32_t r = 0; r < scene->rows; r++)
        for (uint32_t c = 0; c < scene->cols; c++, i++) {
            if (!full[i])
                continue;
            uint8_t label = layer[t].label[i];
            if (scene_is_restless(scene, t, c, r))
                full[i] = SUBJECT_DOUBTFUL;
            if (label != 0 && (label & LAYER_CLOSED) == 0)
                continue;
            for (uint32_t y = r > 0 ? r - 1 : 0; y <= r + 1 && y < scene->rows; y++)
                for (uint32_t x = c > 0 ? c - 1 : 0; x <= c + 1 && x < scene->cols; x++) {
                    uint8_t *at = &full[(size_t)y * scene->cols + x];
                    *at = *at ? SUBJECT_DOUBTFUL : 0;
                }
        }
}

/* The mask of all components of a track in frame t, holes filled. Returns the moving share. */
static float track_mask(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                        const struct track *track, size_t t, uint8_t *full, uint32_t *stack)
{
    bool mine[SCENE_MAX_COMPONENTS + 1] = {false};
    float moving = 0, area = 0;
    for (size_t k = 0; k < layer[t].n; k++) {
        const struct component *c = &layer[t].component[k];
        if (tracks->owner[t * SCENE_MAX_COMPONENTS + k] != track->id)
            continue;
        mine[k + 1] = true;
        moving += c->moving * (float)c->area;
        area += (float)c->area;
    }
    for (size_t i = 0; i < scene->cells; i++)
        full[i] = mine[layer_label(&layer[t], i)];
    mask_fill_holes(full, scene->cols, scene->rows, stack);
    mark_doubtful(scene, layer, t, full);
    return area > 0 ? moving / area : 0.0f;
}

/* How sure it is that this is a subject: strength against the limit, and company in time. */
static float confidence_of(const struct layer *layer, const struct track *track, size_t t)
{
    size_t seen = 0;
    for (size_t u = track->first; u <= track->last; u++)
        seen += track->pick[u] >= 0;
    float company = seen >= 4 ? 1.0f : (float)seen / 4.0f;
    return company * fminf(track_component(layer, track, t)->strength / 3.0f, 1.0f);
}

static struct subject_region *region_of(struct subject_frame *frame, uint32_t pass)
{
    for (size_t k = 0; k < frame->n_regions; k++)
        if (frame->region[k].pass == pass)
            return &frame->region[k];
    return NULL;
}

/* Velocity from the neighbours on the track, the camera's shift taken out. */
static void set_velocities(const struct scene *scene, const struct track *track, uint32_t pass,
                           struct subject_burst *found)
{
    for (size_t t = track->first; t <= track->last; t++) {
        size_t a = t > track->first && track->pick[t - 1] >= 0 ? t - 1 : t;
        size_t b = t < track->last && track->pick[t + 1] >= 0 ? t + 1 : t;
        struct subject_region *here = region_of(&found->frame[scene->index[t]], pass);
        const struct subject_region *from = region_of(&found->frame[scene->index[a]], pass);
        const struct subject_region *to = region_of(&found->frame[scene->index[b]], pass);
        double dt = scene->time_s[b] - scene->time_s[a];
        if (here == NULL || from == NULL || to == NULL || dt < 1e-6)
            continue;
        float dc = (to->centre_col - scene->shift_col[b]) - (from->centre_col - scene->shift_col[a]);
        float dr = (to->centre_row - scene->shift_row[b]) - (from->centre_row - scene->shift_row[a]);
        here->velocity_col_s = (float)(dc / dt);
        here->velocity_row_s = (float)(dr / dt);
    }
}

/* Room to see one frame's subject and scenery in, and what was seen of rear ends. */
struct room {
    uint8_t *full;
    uint32_t *stack;
    float *own, *luma, *texture, *limit;
    struct rear *rear; /* of each frame */
};

static bool room_open(const struct scene *scene, struct room *room)
{
    room->full = malloc(scene->cells);
    room->stack = malloc(scene->cells * sizeof *room->stack);
    room->own = malloc(scene->cells * sizeof *room->own);
    room->luma = malloc(scene->cells * sizeof *room->luma);
    room->texture = malloc(scene->cells * sizeof *room->texture);
    room->limit = malloc(scene->cells * sizeof *room->limit);
    room->rear = malloc(scene->n * sizeof *room->rear);
    return room->full != NULL && room->stack != NULL && room->own != NULL && room->luma != NULL &&
           room->texture != NULL && room->limit != NULL && room->rear != NULL;
}

static void room_close(struct room *room)
{
    free(room->full);
    free(room->stack);
    free(room->own);
    free(room->luma);
    free(room->texture);
    free(room->limit);
    free(room->rear);
}

static struct backdrop look_behind(const struct scene *scene, size_t t, const struct room *room)
{
    if (!scene->registered) /* cell for cell */
        return (struct backdrop){scene->background, scene->texture, scene->limit};
    scene_frame(scene, t, room->own);
    scene_background_at(scene, t, room->own, room->luma, room->limit);
    scene_plane_at(scene, t, scene->texture, 0, room->texture);
    return (struct backdrop){room->luma, room->texture, room->limit};
}

/* The region of one frame of a track, and what its rear end looks like. */
static bool add_frame(const struct rear_view *view, const struct track *track, uint32_t pass,
                      const struct room *room, struct subject_burst *found, struct err *err)
{
    const struct scene *scene = view->scene;
    const struct backdrop backdrop = look_behind(scene, view->t, room);
    struct rear *rear = &room->rear[view->t];
    float moving = track_mask(scene, view->layer, view->tracks, track, view->t, room->full, room->stack);
    if (!region_add(scene, view->t, room->full, pass, moving, confidence_of(view->layer, track, view->t),
                    &backdrop, found, err))
        return false;
    const struct subject_region *region = region_of(&found->frame[scene->index[view->t]], pass);
    return region == NULL || !rear_side(scene, view->layer, track, view->t, rear) ||
           rear_look(view, room->full, &backdrop, region, rear, err);
}

bool regions_build(const struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                   struct subject_burst *found, struct err *err)
{
    struct room room;
    bool done = room_open(scene, &room) ? true : err_nomem(err);
    for (size_t i = 0; done && i < tracks->n; i++) {
        const struct track *track = &tracks->track[i];
        uint32_t pass = (uint32_t)i + 1;
        memset(room.rear, 0, scene->n * sizeof *room.rear);
        for (size_t t = track->first; done && t <= track->last; t++) {
            struct rear_view view = {scene, layer, tracks, t, track->id};
            done = track->pick[t] < 0 || add_frame(&view, track, pass, &room, found, err);
        }
        set_velocities(scene, track, pass, found);
        rear_settle(scene, track, room.rear, pass, found);
    }
    found->n_passes = (uint32_t)tracks->n;
    room_close(&room);
    return done;
}
