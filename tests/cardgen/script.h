#ifndef CARDGEN_SCRIPT_H
#define CARDGEN_SCRIPT_H
/* What happens on the demo card: set-ups of the camera, bursts, and the flight of every bird. */
#include <stdbool.h>
#include <stdint.h>
#include "bird.h"
#include "lens.h"
#include "pond.h"

enum flight_kind {
    FLIGHT_NONE,
    FLIGHT_PASS,  /* flies through: at = p + v t + a t^2/2, t = 0 at `frame` */
    FLIGHT_PERCH, /* sits at p the whole time, swaying through the plane of focus */
    FLIGHT_HOVER  /* comes in from the right, hovers at p, lands on the rail */
};

struct flight {
    enum flight_kind kind;
    float frame;
    struct vec3 p, v, a; /* mm, mm/s, mm/s^2 in view axes */
    float beat_hz, phase, amplitude;
    uint32_t salt;
};

struct camera_setup {
    int number;   /* 1, 2, ... : a new one each time the camera is moved */
    bool upright; /* portrait */
    int iso;
    float exposure_s;
    struct pond_spec pond;
};

struct burst_script {
    const char *name;
    const struct camera_setup *setup;
    int frames;
    float fps;
    double start_s; /* after midnight, camera time */
    int sub_sec_digits;
    float gain_ev, drift_ev; /* exposure: mean, and slow swing */
    int orientation;         /* Exif; 1, 6 or 8 */
    bool raw;                /* a DNG beside each JPEG */
    bool wind, glitter, rings, tremble, target;
    struct flight flight[2];
    int protected_frame, rated_frame, truncated_frame, sidecar_frame, apple_frame; /* -1 = none */
};

/* The bursts in time order. */
const struct burst_script *script_bursts(int *count);

/* Pose of bird k in frame f. Returns false when the burst has no such bird. `landed` tells a resting bird. */
bool script_bird(const struct burst_script *b, int k, float f, struct bird_pose *pose, bool *landed);

/* The lens of a set-up for pictures whose long edge has so many px. */
struct lens script_lens(const struct camera_setup *s, int long_px);

/* Slow change of light, as a factor. */
float script_gain(const struct burst_script *b, int f);

#endif
