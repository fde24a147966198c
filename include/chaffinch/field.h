/*
 * field.h - optics and timing of a session that is planned: what will be sharp, how smooth the background is,
 * how far the subject smears, how many frames fall inside the sharp zone.
 *
 * Calling sequence:
 *     struct field_setup setup = field_setup_empty();
 *     field_read_length("--distance", "5m", 1000, &setup.distance_mm, &feet, &err) ...
 *     struct field_answer answer;
 *     if (!field_solve(&setup, &answer, &err)) ...
 *     field_write_table(&out, &setup, &answer);   or   field_write_json(&out, &setup, &answer, &err)
 *
 * Conventions: all lengths in mm unless the name says otherwise; distances from the front nodal plane of a
 * thin lens, which lies roughly in the middle of a real one. NAN = not given, or no answer without something
 * that was not given; INFINITY = without end. Pure: no I/O; results are appended to a struct str.
 *
 * Errors: ERR_USAGE with the value in words where nothing of the kind can exist; ERR_NOMEM.
 *
 * Sources: depth of field and hyperfocal distance in the EXACT form, h = f^2/(N c), H = h + f, near =
 * s h/(h + s - f), far = s h/(h - (s - f)), after Greenleaf, Photographic Optics, 1950, as dofmaster.com
 * /equations.html repeats it; the approximate forms for s >> f are not used anywhere. Blur disc
 * b = (f m/N) |D - s|/D: for small m the form that Merklinger gave. Airy disc 2.44 lambda N. Motion blur
 * v t m / pitch: geometry.
 */
#ifndef CHAFFINCH_FIELD_H
#define CHAFFINCH_FIELD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/err.h"
#include "chaffinch/str.h"

/* ---- formulas: one each, no checks; f focal length, n f-number, c circle of confusion, s distance of the
 * plane of focus ---- */

#define FIELD_LIGHT_MM 550e-6 /* wavelength of green light, for the Airy disc */

double field_hyperfocal_mm(double f, double n, double c);     /* f^2/(n c) + f */
double field_near_mm(double f, double n, double c, double s); /* nearer limit of the sharp zone */
double field_far_mm(double f, double n, double c, double s);  /* farther limit; INFINITY */
double field_magnification(double f, double s);               /* f/(s - f) */
double field_blur_mm(double f, double n, double s, double d); /* disc of a point at d; d may be INFINITY */
double field_blur_where_mm(double f, double n, double s, double b); /* d > s whose disc is b; INFINITY */
double field_airy_mm(double n);                                     /* diameter to the first dark ring */
double field_motion_px(double across_mps, double seconds, double magnification, double pitch_mm);
double field_motion_time_s(double across_mps, double blur_px, double magnification, double pitch_mm);
double field_row_time_s(double readout_s, double rows); /* one row of a rolling shutter */

/* ---- sensors ---- */

struct field_sensor {
    char name[32]; /* "four-thirds", or "17.3 x 13 mm" */
    double width_mm, height_mm;
    double coc_mm;   /* by convention: .030 mm on 36 x 24 mm, divided by the crop factor */
    double pitch_mm; /* of a common body with this sensor; NAN for a size that was typed */
};
/* "four-thirds", "aps-c", "full-frame" or a size in mm, "17.3x13". */
bool field_read_sensor(const char *option, const char *text, struct field_sensor *sensor, struct err *err);
/* The sensor that a circle of confusion of this size is usual for, full frame if none is. */
struct field_sensor field_sensor_of_coc(double coc_mm);
/* The sensor of a frame by its focal length and the one that shows as much on 36 x 24 mm film (Exif 2.2,
   FocalLengthIn35mmFilm): the crop factor is the ratio of the diagonals, as CIPA DCG-001 has it (from
   memory). A named sensor where crop and shape agree, since cameras round; false where it can be none. */
bool field_sensor_of_crop(double focal_mm, double focal_35mm, double width_px, double height_px,
                          struct field_sensor *sensor);
/* Names separated by ", ", for messages and tests; NULL ends. */
const char *field_sensor_name(size_t i);

/* ---- units, as people write them ----
 * `option` names the value in messages. A number without a unit is taken times `bare`. No signs, no
 * exponents; a space may stand before the unit. */

enum field_blur_unit { FIELD_BLUR_MM, FIELD_BLUR_PX, FIELD_BLUR_SHARE };

/* 5m 500cm 300mm 15um 1.2km 16ft 3in 16ft5in 16'5" 20yd; *feet (may be NULL) tells feet, inches and yards.
   "inf" gives INFINITY where allow_infinity. */
bool field_read_length(const char *option, const char *text, double bare_mm, bool allow_infinity, double *mm,
                       bool *feet, struct err *err);
/* 8m/s 30km/h 30kmh 18mph 26ft/s 16kn; bare: m/s. */
bool field_read_speed(const char *option, const char *text, double *mps, struct err *err);
/* 1/3200 1/3200s 0.5 2.5ms 250us 2min; bare: s. */
bool field_read_time(const char *option, const char *text, double *seconds, struct err *err);
/* 4 f/4 F4 f5.6 */
bool field_read_aperture(const char *option, const char *text, double *f_number, struct err *err);
/* 30 30deg */
bool field_read_angle(const char *option, const char *text, double *degrees, struct err *err);
/* 64GB 20MB (powers of ten, as cards are sold) 512MiB; bare times `bare_bytes`. */
bool field_read_bytes(const char *option, const char *text, double bare_bytes, double *bytes,
                      struct err *err);
/* 0.015 0.015mm 15um 2px 5%; bare: `bare`. A share is given as a fraction. */
bool field_read_blur(const char *option, const char *text, enum field_blur_unit bare, double *value,
                     enum field_blur_unit *unit, struct err *err);
/* A whole number of px over the width, or WIDTHxHEIGHT of which the width counts. */
bool field_read_pixels(const char *option, const char *text, double *width_px, struct err *err);

enum { FIELD_TEXT_SIZE = 32 };
/* Four significant digits: "31.34 mm", "4.984 m"; "16 ft 4.9 in" where feet. "infinity". Returns out. */
char *field_length_text(char out[FIELD_TEXT_SIZE], double mm, bool feet);
/* An exposure: "1/3200 s", "0.5 s". */
char *field_exposure_text(char out[FIELD_TEXT_SIZE], double seconds);
/* A duration: "6.27 ms", "1.5 s", "31 min". */
char *field_duration_text(char out[FIELD_TEXT_SIZE], double seconds);

/* ---- the question and the answer ---- */

struct field_setup {
    double focal_mm, f_number, distance_mm; /* must be given */
    struct field_sensor sensor;             /* must be given */
    bool sensor_assumed, pitch_assumed;     /* nobody said so */
    bool feet;                              /* answer in feet and inches */
    double coc_mm;                          /* NAN: the sensor's */
    double background_mm;                   /* from the lens; INFINITY = the sky */
    double smooth_mm;                       /* wanted blur disc of the background, on the sensor */
    double speed_mps;
    char speed_text[24]; /* as it was typed, for the notes; "" = in m/s */
    double angle_deg;    /* of the path to the plane of focus: 90 = head-on; NAN: the worst of each is told */
    double shutter_s;
    double blur_mm;   /* motion blur that is allowed, on the sensor; NAN: as large as coc_mm */
    double readout_s; /* of a rolling shutter, first to last row */
    double fps;
    double reaction_s;
    double card_bytes, frame_bytes;
};
struct field_setup field_setup_empty(void);

/* Mean simple visual reaction time, 231 ms (n = 1469): Woods et al. 2015, Front. Hum. Neurosci. 9:131. */
#define FIELD_REACTION_S 0.231

enum { FIELD_LADDER = 3 }; /* where the background is blurred over 5, 10 and 20 % of the frame's width */

struct field_answer {
    double coc_mm;
    double near_mm, far_mm, depth_mm; /* far, depth: INFINITY at and beyond the hyperfocal distance */
    double hyperfocal_mm, magnification;
    double view_width_mm, view_height_mm; /* at the subject */
    double diffraction_mm, diffraction_px;
    double background_blur_mm, background_blur_px, background_blur_share; /* share of the frame's width */
    double background_needed_mm; /* from the lens, for smooth_mm; INFINITY: no distance is enough */
    double ladder_share[FIELD_LADDER], ladder_mm[FIELD_LADDER];
    double motion_blur_px, motion_blur_mm; /* on the sensor */
    double allowed_blur_px, shutter_needed_s;
    double skew_mm, skew_px; /* at the subject; on the picture */
    double time_in_depth_s, frames_in_depth, time_in_view_s, frames_in_view, advance_mm;
    double reaction_s, reaction_frames, reaction_travel_mm, pre_capture_s;
    double card_frames, card_s;
};
/* ERR_USAGE names the value that cannot be. */
bool field_solve(const struct field_setup *setup, struct field_answer *answer, struct err *err);

/* ---- results in words ---- */

/* One line of the answer. A new section begins where `section` is not NULL. */
struct field_row {
    const char *section;
    char label[48], value[72], note[128];
};
enum { FIELD_MAX_ROWS = 40 };
size_t field_rows(const struct field_setup *setup, const struct field_answer *answer,
                  struct field_row rows[FIELD_MAX_ROWS]);
/* "300 mm  f/4  focused at 5 m" */
void field_title(struct str *out, const struct field_setup *setup);

void field_write_table(struct str *out, const struct field_setup *setup, const struct field_answer *answer);
/* One object and a line end; null for NAN and INFINITY; lengths in mm. */
bool field_write_json(struct str *out, const struct field_setup *setup, const struct field_answer *answer,
                      struct err *err);
/* One self-contained HTML page for a phone or A6 paper: the picture and the table. */
void field_write_page(struct str *out, const struct field_setup *setup, const struct field_answer *answer);
/* The set-up from above as SVG: camera, sharp zone, path, background; below it the sharp zone enlarged. */
void field_write_picture(struct str *out, const struct field_setup *setup, const struct field_answer *answer);
/* The same as pixels, 3 bytes each (red, green, blue), malloc'ed; the caller frees *rgb. */
bool field_paint_picture(const struct field_setup *setup, const struct field_answer *answer,
                         uint32_t *width_px, uint32_t *height_px, uint8_t **rgb, struct err *err);

#endif
