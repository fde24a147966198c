/* scene.c - renders a script: ground, leaves, sparkle, birds, what stands before them. */
#include "scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "../cardgen/canvas.h"
#include "fowl.h"
#include "plate.h"

static const float HIDDEN_SHARE = 0.2f;
static const float BOX_COVER = 0.4f; /* the box ends where the blurred bird covers less */

struct stage {
    struct studio *studio;
    const struct scene_script *s;
    struct plate ground, light, bar;
    int margin_x, margin_y, bar_x, bar_y; /* px from the ground's edge to the picture's at no offset; corner
                                             of the timber before the birds */
    float level;
};

static float px_mm(const struct scene_script *s)
{
    return lens_scale_px(&s->lens, s->lens.focus_mm);
}

/* The ground must reach as far as the camera swings. */
static void measure_swing(struct stage *st)
{
    float far_x = 0, far_y = 0;
    for (int f = 0; f < st->s->frames; f++) {
        float dx, dy;
        camera_offset(st->s, (float)f / st->s->fps, &dx, &dy);
        far_x = fmaxf(far_x, fabsf(dx));
        far_y = fmaxf(far_y, fabsf(dy));
    }
    st->margin_x = (int)ceilf(far_x + st->s->reach_px) + 4;
    st->margin_y = (int)ceilf(far_y + st->s->reach_px) + 4;
}

static void stage_open(struct stage *st, struct studio *studio, const struct scene_script *s)
{
    *st = (struct stage){.studio = studio, .s = s};
    measure_swing(st);
    st->ground = ground_paint(studio, s, SCENE_W + 2 * st->margin_x, SCENE_H + 2 * st->margin_y);
    st->light = plate_new(SCENE_W, SCENE_H);
    size_t n = (size_t)st->ground.w * (size_t)st->ground.h;
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += (double)st->ground.v[i];
    st->level = (float)(sum / (double)n);
    int thick = (int)((s->bar_to - s->bar_from) * px_mm(s));
    if (thick > 0 && s->bar_across)
        st->bar = wood_paint((uint32_t)s->seed, st->ground.w, thick, false);
    else if (thick > 0)
        st->bar = wood_paint((uint32_t)s->seed, thick, st->ground.h, true);
    st->bar_x = s->bar_across ? -st->margin_x : (int)(SCENE_W * 0.5f + s->bar_from * px_mm(s));
    st->bar_y = s->bar_across ? (int)(SCENE_H * 0.5f - s->bar_to * px_mm(s)) : -st->margin_y;
}

static void stage_close(struct stage *st)
{
    plate_free(&st->ground);
    plate_free(&st->light);
    plate_free(&st->bar);
}

/* A soft-edged ellipse with a stripe pattern: one leaf in one position. */
static void draw_leaf(struct plate *p, float cx, float cy, float a, float b, float turn, float tone,
                      float soft)
{
    float c = cosf(turn), s = sinf(turn), reach = fmaxf(a, b) + 3 * soft;
    for (int y = (int)fmaxf(cy - reach, 0); y < (int)(cy + reach) && y < p->h; y++)
        for (int x = (int)fmaxf(cx - reach, 0); x < (int)(cx + reach) && x < p->w; x++) {
            float dx = (float)x - cx, dy = (float)y - cy, u = (dx * c + dy * s) / a,
                  v = (dy * c - dx * s) / b;
            float edge = (1 - sqrtf(u * u + v * v)) * b / soft, cover = fminf(fmaxf(0.5f + edge, 0), 1);
            if (cover <= 0)
                continue;
            float vein = soft < 2.5f ? 0.2f * sinf(u * 14 + fabsf(v) * 5) : 0;
            float *to = p->v + (size_t)y * (size_t)p->w + (size_t)x;
            *to += (tone * (1 + 0.25f * v + vein) - *to) * cover;
        }
}

static void draw_leaves(struct stage *st, float t, float dx, float dy)
{
    struct rng r = rng_from(st->s->seed, rng_name("leaves"));
    for (int i = 0; i < st->s->leaves; i++) {
        float x = rng_range(&r, 0, SCENE_W), y = rng_range(&r, 0, SCENE_H), b = rng_range(&r, 6, 18);
        float a = b * rng_range(&r, 1.5f, 4), turn = rng_range(&r, 0, 6.28f), phase = rng_range(&r, 0, 6.28f);
        float rate = rng_range(&r, 5, 14), tone = st->level * rng_range(&r, 0.4f, 2),
              soft = rng_range(&r, 1.5f, 7);
        float wave = sinf(rate * t + phase) + 0.4f * sinf(2.7f * rate * t + 2 * phase),
              gust = sinf(2.2f * t + 0.002f * x);
        draw_leaf(&st->light, x - dx + st->s->wind_px * (wave + gust), y - dy + 0.4f * st->s->wind_px * wave,
                  a, b, turn + 0.35f * wave, tone, soft);
    }
}

static void draw_glints(struct stage *st, float t, float dx, float dy)
{
    struct rng r = rng_from(st->s->seed, rng_name("glints"));
    float level = rng_range(&r, 0.35f, 0.8f) * SCENE_H, band = rng_range(&r, 50, 160);
    for (int i = 0; i < st->s->glints; i++) {
        float x = rng_range(&r, 0, SCENE_W), y = level + band * rng_gauss(&r), phase = rng_unit(&r);
        float life = rng_range(&r, 0.10f, 0.35f), on = t / life + phase, strong = rng_range(&r, 0.2f, 1);
        float glow = powf(fmaxf(0, sinf(6.2832f * on)), 6) * strong, soft = rng_range(&r, 1.2f, 6);
        if (glow < 0.02f)
            continue;
        draw_leaf(&st->light, x - dx + 5 * sinf(on), y - dy, 3 + soft * 2, soft + 1, 0,
                  fminf(1.2f * glow + st->level, 1.3f), soft);
    }
}

/* How much the timber before the birds covers a px of the picture. */
static float bar_cover(const struct stage *st, int x, int y, const struct fowl_view *view)
{
    if (st->bar.v == NULL)
        return 0;
    float u = (float)(x - st->bar_x) + view->dx, v = (float)(y - st->bar_y) + view->dy;
    float across = fminf(u + 1, (float)st->bar.w - u), up = fminf(v + 1, (float)st->bar.h - v);
    return fminf(fmaxf(fminf(across, up), 0), 1);
}

static void draw_bar(struct stage *st, const struct fowl_view *view)
{
    for (int y = 0; y < SCENE_H && st->bar.v != NULL; y++)
        for (int x = 0; x < SCENE_W; x++) {
            float cover = bar_cover(st, x, y, view);
            if (cover <= 0)
                continue;
            int u = (int)((float)(x - st->bar_x) + view->dx), v = (int)((float)(y - st->bar_y) + view->dy);
            u = u < 0 ? 0 : u >= st->bar.w ? st->bar.w - 1 : u;
            v = v < 0 ? 0 : v >= st->bar.h ? st->bar.h - 1 : v;
            float *to = st->light.v + (size_t)y * SCENE_W + x;
            *to += (st->bar.v[(size_t)v * (size_t)st->bar.w + (size_t)u] - *to) * cover;
        }
}

/* Grows the box by a px, which is the first one where x1 is 0. */
static void grow(float box[4], int x, int y)
{
    bool first = box[2] <= 0;
    box[0] = first ? (float)x : fminf(box[0], (float)x);
    box[1] = first ? (float)y : fminf(box[1], (float)y);
    box[2] = fmaxf(box[2], (float)x + 1);
    box[3] = fmaxf(box[3], (float)y + 1);
}

/* Lays the bird over the light, measures its box and counts what of it can be seen. */
static void lay(struct stage *st, const struct fowl *f, const struct fowl_view *view,
                struct bench_bird *truth)
{
    const struct patch *q = &f->patch;
    double all = 0, inside = 0, shown = 0;
    float box[4] = {0};
    for (int y = 0; y < q->h; y++)
        for (int x = 0; x < q->w; x++) {
            const float *p = q->px + ((size_t)y * (size_t)q->w + (size_t)x) * 4;
            int cx = x + q->x0, cy = y + q->y0;
            all += (double)p[1];
            if (p[1] < 1e-5f || cx < 0 || cy < 0 || cx >= SCENE_W || cy >= SCENE_H)
                continue;
            float *to = st->light.v + (size_t)cy * SCENE_W + cx;
            *to += p[0] - p[1] * *to;
            inside += (double)p[1];
            shown += (double)(p[1] * (1 - bar_cover(st, cx, cy, view)));
            if (p[1] >= BOX_COVER)
                grow(box, cx, cy);
        }
    truth->visible = all > 0 ? (float)(shown / all) : 0;
    if (inside > 0 && shown < inside * (double)(1 - HIDDEN_SHARE))
        truth->flags |= BIRD_HIDDEN;
    truth->x = box[0];
    truth->y = box[1];
    truth->w = box[2] - box[0];
    truth->h = box[3] - box[1];
}

static void tell(const struct fowl *f, struct bench_bird *t)
{
    if (t->w <= 0 || t->h <= 0) {
        *t = (struct bench_bird){0};
        return;
    }
    bool cut = f->x0 < 0 || f->y0 < 0 || f->x1 > SCENE_W || f->y1 > SCENE_H;
    t->flags |= BIRD_PRESENT | (cut ? BIRD_CUT : 0);
    t->blur_px = f->blur_px;
    t->head_px = f->head_px;
}

/* The farther ones first. */
static void draw_birds(struct stage *st, float t, struct fowl_view *view, struct bench_frame *frame)
{
    struct bird_pose pose[BENCH_BIRDS];
    bool wanted[BENCH_BIRDS] = {0};
    uint32_t flags[BENCH_BIRDS] = {0};
    for (int k = 0; k < st->s->actors; k++)
        wanted[k] = actor_pose(st->s, &st->s->actor[k], t, &pose[k], &flags[k]);
    for (;;) {
        int far = -1;
        for (int k = 0; k < st->s->actors; k++)
            if (wanted[k] && (far < 0 || pose[k].at.z < pose[far].at.z))
                far = k;
        if (far < 0)
            return;
        wanted[far] = false;
        struct fowl f;
        struct bench_bird *truth = &frame->bird[far];
        truth->flags = flags[far] | (st->s->actor[far].prop ? BIRD_PROP : 0);
        if (fowl_draw(view, &st->s->actor[far], &pose[far], &f)) {
            lay(st, &f, view, truth);
            tell(&f, truth);
            patch_free(&f.patch);
        } else {
            truth->flags = 0;
        }
    }
}

/* The ground, smeared along the way of the camera where that is more than a pixel. */
static void draw_ground(struct stage *st, const struct fowl_view *view)
{
    float x = (float)st->margin_x + view->dx + st->s->aim_x,
          y = (float)st->margin_y + view->dy + st->s->aim_y;
    float line = hypotf(view->line_dx, view->line_dy);
    int steps = line > 1 ? 2 + (int)line : 1;
    plate_window(&st->ground, x + view->line_dx * (0.5f / (float)steps - 0.5f),
                 y + view->line_dy * (0.5f / (float)steps - 0.5f), &st->light);
    if (steps == 1)
        return;
    size_t n = (size_t)SCENE_W * SCENE_H;
    struct plate more = plate_new(SCENE_W, SCENE_H);
    for (int k = 1; k < steps; k++) {
        float at = ((float)k + 0.5f) / (float)steps - 0.5f;
        plate_window(&st->ground, x + view->line_dx * at, y + view->line_dy * at, &more);
        for (size_t i = 0; i < n; i++)
            st->light.v[i] += more.v[i];
    }
    for (size_t i = 0; i < n; i++)
        st->light.v[i] /= (float)steps;
    plate_free(&more);
}

static void render_frame(struct stage *st, int index, uint8_t *grey, struct bench_frame *frame)
{
    const struct scene_script *s = st->s;
    float t = (float)index / s->fps, ax, ay, bx, by;
    struct fowl_view view = {.studio = st->studio, .script = s, .level = st->level};
    camera_offset(s, t, &view.dx, &view.dy);
    camera_offset(s, t - 0.001f, &ax, &ay);
    camera_offset(s, t + 0.001f, &bx, &by);
    view.line_dx = (bx - ax) / 0.002f * s->lens.exposure_s;
    view.line_dy = (by - ay) / 0.002f * s->lens.exposure_s;
    draw_ground(st, &view);
    draw_leaves(st, t, view.dx, view.dy);
    draw_glints(st, t, view.dx, view.dy);
    draw_birds(st, t, &view, frame);
    draw_bar(st, &view);
    develop(st->studio, s, &st->light, index, grey);
    frame->time_ns = (int64_t)((double)index / (double)s->fps * 1e9);
    develop_measure(grey, s->camera.quality, frame);
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void write_picture(const char *start, int index, const uint8_t *grey)
{
    char path[4096];
    snprintf(path, sizeof path, "%s%03d.pgm", start, index);
    FILE *file = fopen(path, "wb");
    if (file == NULL || fprintf(file, "P5\n%d %d\n255\n", SCENE_W, SCENE_H) < 0 ||
        fwrite(grey, 1, (size_t)SCENE_W * SCENE_H, file) != (size_t)SCENE_W * SCENE_H || fclose(file) != 0) {
        perror(path);
        exit(1);
    }
}

void scene_render(struct studio *studio, const struct scene_script *s, const char *pictures,
                  struct bench_burst *out)
{
    struct stage st;
    double start = now_s();
    uint8_t *grey = canvas_alloc((size_t)SCENE_W * SCENE_H, 1);
    *out =
        (struct bench_burst){.n = (uint32_t)s->frames, .width_px = SCENE_W, .head_decides = s->head_decides};
    out->frame = canvas_alloc((size_t)s->frames, sizeof *out->frame);
    stage_open(&st, studio, s);
    for (int f = 0; f < s->frames; f++) {
        render_frame(&st, f, grey, &out->frame[f]);
        if (pictures != NULL)
            write_picture(pictures, f, grey);
    }
    stage_close(&st);
    free(grey);
    out->render_s = now_s() - start;
}
