/*
 * sheet.h - the contact sheet in four steps, each in a file of its own:
 *     sheet_model.c    the catalogue to a plain model in memory
 *     sheet_pictures.c which pictures are worth their bytes, and what part of the frame they show
 *     sheet_draw.c     the drawings: line of hours, curve of a pass, path of a pass, corner ticks
 *     sheet_page.c     the page around them
 */
#ifndef CHAFFINCH_REPORT_SHEET_H
#define CHAFFINCH_REPORT_SHEET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/rank.h"
#include "chaffinch/report.h"
#include "chaffinch/str.h"

struct sheet_box {
    uint32_t x, y, w, h;
};

enum sheet_outcome { SHEET_NONE, SHEET_KEEP, SHEET_REJECT };

struct sheet_frame {
    int64_t id, burst;
    uint32_t pass, rank;
    char *name;  /* last folder and file name: no more is told of where it lies */
    char *cause; /* why it is unreadable, else NULL */
    bool has_time;
    int64_t time_ns;      /* as the camera wrote it */
    int64_t estimated_ns; /* for curves */
    int subsec_digits;
    enum sheet_outcome outcome;
    bool decided, decided_in_camera;
    enum rank_reason reason;
    uint32_t width_px, height_px;
    int orientation;
    bool has_box;
    struct sheet_box box;                      /* subject, stored picture */
    double blur_px, blur_low_px, blur_high_px; /* NaN = not known */
    size_t picture;                            /* index + 1 into model.picture; 0 = none */
};

/* One subject in one frame, for the curve of its pass. */
struct sheet_point {
    size_t frame; /* index into model.frame */
    uint32_t pass;
    double blur_px;
    struct sheet_box box;
    bool complete;
};

struct sheet_burst {
    int64_t number, setup;
    uint32_t passes;
    bool perch, nothing_sharp;
    size_t first, n;              /* frames */
    size_t first_point, n_points; /* of all passes, in order of time */
};

struct sheet_picture {
    size_t frame;
    bool large;
    struct sheet_box crop; /* what of the stored picture is asked for; zero size = all of it */
    uint32_t max_edge_px;
    uint8_t *jpeg; /* NULL = could not be decoded, or was left out to keep the page small */
    size_t size;
    uint32_t width_px, height_px; /* as it came, upright */
};

struct sheet_model {
    const char *name;
    struct sheet_frame *frame;
    size_t n_frames, frame_room;
    struct sheet_burst *burst;
    size_t n_bursts, burst_room;
    struct sheet_point *point;
    size_t n_points, point_room;
    struct sheet_picture *picture;
    size_t n_pictures, picture_room;
    size_t passes, keep, reject, none, unreadable;
    bool left_out; /* pictures were left out to keep the page small */
};

bool sheet_model_load(struct sheet_model *model, struct catalogue *c, struct err *err);
void sheet_model_release(struct sheet_model *model);

/* True for a frame that stands in the section for your eyes at the end, outside its burst. */
bool sheet_for_eyes(const struct sheet_frame *frame);
/* True where a burst has more to show than frames for your eyes. */
bool sheet_burst_shown(const struct sheet_model *model, const struct sheet_burst *burst);

/* Which frames of a group are shown small, the rest is counted in words. A group = the frames of a pass that
   share an outcome and a reason; pass 0 = those of the burst without a subject. Frame indices in order of
   rank, then time; *n of them. The caller frees the list. */
struct sheet_group {
    uint32_t pass;
    enum sheet_outcome outcome;
    enum rank_reason reason;
};
bool sheet_group_frames(const struct sheet_model *model, const struct sheet_burst *burst,
                        const struct sheet_group *group, size_t **list, size_t *n, struct err *err);
/* The frames of a pass that are kept, best first, those decided by a person behind. */
bool sheet_kept_frames(const struct sheet_model *model, const struct sheet_burst *burst, uint32_t pass,
                       size_t **list, size_t *n, struct err *err);

/* Chooses the pictures, asks for them, keeps their bytes in the model. */
bool sheet_pictures_load(struct sheet_model *model, const struct report_crops *crops, struct err *err);
/* A box of the stored picture (of width x height px) as it stands in the upright one. */
struct sheet_box sheet_upright(struct sheet_box box, uint32_t width_px, uint32_t height_px, int orientation);

/* Drawings, as inline SVG. */
void sheet_draw_hours(struct str *out, const struct sheet_model *model);
void sheet_draw_curve(struct str *out, const struct sheet_model *model, const struct sheet_burst *burst,
                      uint32_t pass);
void sheet_draw_path(struct str *out, const struct sheet_model *model, const struct sheet_burst *burst,
                     uint32_t pass);
void sheet_draw_ticks(struct str *out, const struct sheet_model *model, const struct sheet_picture *picture);
/* Best blur of a pass, NaN where none is known. */
double sheet_best_blur(const struct sheet_model *model, const struct sheet_burst *burst, uint32_t pass);

/* look.css, which the page of review serves too: one look for both. */
extern const char sheet_style_look[];
extern const char sheet_style_screen[], sheet_style_small[];
bool sheet_page(struct str *out, const struct sheet_model *model, struct err *err);

#endif
