#ifndef BENCH_SCENE_H
#define BENCH_SCENE_H
/* What a burst of the bench shows: place, light, camera, actors; drawn from a condition and a seed alone. */
#include <stdbool.h>
#include <stdint.h>

#include "../cardgen/bird.h"
#include "../cardgen/lens.h"
#include "../cardgen/rng.h"
#include "truth.h"

enum { SCENE_W = 1600, SCENE_H = 1064 };

enum act {
    ACT_NONE,
    ACT_FLY,   /* crosses: at p at `when_s`, with velocity v and acceleration a */
    ACT_PERCH, /* sits at p, breathing and looking round */
    ACT_LAND,  /* comes in, touches down at p at `when_s`, sits */
    ACT_HOVER  /* beats in one place above p, drops to it at `when_s`, sits */
};

enum look { LOOK_SWALLOW, LOOK_GREY, LOOK_DARK, LOOK_BRIGHT, LOOK_FLAT, LOOK_PHOTO, LOOKS };

struct actor {
    enum act act;
    enum look look;
    bool prop;
    float when_s;
    struct vec3 p, v, a;        /* view mm; x right, y up, z towards the camera */
    float from_z, to_z;         /* depth at the start of a landing, and sitting */
    float sway_mm;              /* swing in depth of a hovering or sitting bird */
    float tilt;                 /* z of the unit vector along the body: > 0 = head towards the camera */
    float fork, stout, wing;    /* shape against a barn swallow's: outer tail, girth, wings */
    float beat_hz, phase, size; /* size 1 = a barn swallow */
    float facing;               /* 1 = looks right, -1 = left, of a sitting bird */
    uint32_t salt;
};

enum ground { GROUND_SMOOTH, GROUND_CLUTTER, GROUND_PARTLY, GROUND_BARK, GROUNDS };

struct camera {
    float shake_px, shake_hz; /* hand: slow sway and its rate */
    float follow;             /* 0 = fixed, 1 = keeps the first actor in its place */
    int iso;
    float exposure_s;
    float gain_ev, drift_ev, flicker_ev;
    int quality;      /* JPEG */
    float sharpen;    /* amount of unsharp masking */
    float sharpen_px; /* its radius */
    float denoise;    /* 0..1 */
};

struct scene_script {
    uint64_t seed;
    int frames;
    float fps;
    struct lens lens;
    enum ground ground;
    uint64_t ground_seed; /* bursts of one camera position share it */
    float aim_x, aim_y;   /* px that the camera was turned since */
    float reach_px;       /* room for that on every side: the same ground needs the same room */
    bool photo;           /* a photograph instead of a procedural ground, where there are any */
    bool head_decides;
    float rail_y;           /* mm; a rail to sit on; > 1e5 = none */
    float bar_from, bar_to; /* mm; a timber in front of the birds, from side to side; equal = none */
    bool bar_across;        /* a rail from below to above instead of a post from left to right */
    int leaves;             /* moved by the wind */
    float wind_px;
    int glints; /* sparkle of water */
    struct camera camera;
    int actors;
    struct actor actor[BENCH_BIRDS];
};

/* Conditions by number, in the order of the table. */
int condition_count(void);
const char *condition_name(int c);
const char *condition_text(int c);
int condition_change(int c);             /* how often it was redrawn */
int condition_by_name(const char *name); /* -1 = unknown */

/* Bursts that belong together: 1, or 3 where the camera stays and is then moved. */
int condition_bursts(int c);

/* The script of one burst; `part` counts those that belong together from 0. */
struct scene_script condition_script(int c, uint64_t seed, int part);

/* Where an actor is at time t, how it holds itself; flags gets BIRD_LANDED, BIRD_HOVERING. False = absent. */
bool actor_pose(const struct scene_script *s, const struct actor *a, float t, struct bird_pose *pose,
                uint32_t *flags);

/* Offset of the camera in px at time t. */
void camera_offset(const struct scene_script *s, float t, float *dx, float *dy);
float camera_gain(const struct scene_script *s, int frame);

struct studio;
/* Renders, encodes, decodes and measures. Ends the program when memory is short. `pictures`, where not NULL,
 * is the start of the paths that the frames are also written to, as PGM. */
void scene_render(struct studio *studio, const struct scene_script *s, const char *pictures,
                  struct bench_burst *out);

#endif
