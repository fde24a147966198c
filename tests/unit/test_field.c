/*
 * Optics and timing beside published tables and worked examples. Each row names its source. Where a source
 * prints rounded or truncated figures, the tolerance is its last digit; scales read off a lens are coarse,
 * and say so. The tables come from the exact form, some worked examples from the form for s >> f, which this
 * program does not use; the difference is checked too.
 */
#include <cjson/cJSON.h>
#include <check.h>
#include <math.h>
#include <string.h>

#include "chaffinch/field.h"

#define FOOT 304.8

static void near_to(double got, double want, double tolerance, const char *what)
{
    ck_assert_msg(fabs(got - want) <= tolerance, "%s: %.9g instead of %.9g, tolerance %g", what, got, want,
                  tolerance);
}

/* A camera maker's guide (D300, page 411, on manualshive.com), 70 mm, in feet; c = .016 mm follows from it.
 * The hyperfocal column is f^2/(N c) without the focal length, truncated. */
START_TEST(guide_hyperfocal)
{
    const double table[][2] = {{2.8, 358.8}, {3.5, 287.0}, {4, 251.1}, {5.6, 179.4}, {8, 125.6},
                               {11, 91.3},   {16, 62.8},   {22, 45.7}, {32, 31.4}};
    for (size_t i = 0; i < sizeof table / sizeof *table; i++)
        near_to((field_hyperfocal_mm(70, table[i][0], .016) - 70) / FOOT, table[i][1], 0.1,
                "hyperfocal, feet");
}
END_TEST

/* The same guide, near and far limits. Exact form. Towards the hyperfocal distance the far limit hangs on the
 * last digit of c, so .2 % is allowed there. */
START_TEST(guide_limits)
{
    const double table[][4] = {{10, 2.8, 9.73, 10.28}, {10, 8, 9.28, 10.84},    {20, 5.6, 18.01, 22.48},
                               {20, 8, 17.28, 23.74},  {20, 32, 12.27, 54.03},  {50, 2.8, 43.91, 58.05},
                               {50, 4, 41.73, 62.36},  {50, 16, 27.89, 241.26}, {5, 8, 4.82, 5.20},
                               {3, 32, 2.76, 3.29}};
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        double s = table[i][0] * FOOT, far = table[i][3];
        near_to(field_near_mm(70, table[i][1], .016, s) / FOOT, table[i][2], 0.01, "near, feet");
        near_to(field_far_mm(70, table[i][1], .016, s) / FOOT, far, far > 50 ? far * .002 : 0.01,
                "far, feet");
    }
}
END_TEST

/* An encyclopaedia's article on the hyperfocal distance (zalansite copy): 50 mm, f/8, c = .03: H = 10467 mm;
 * focused at H/2 sharp from 3489 mm to H. That is the approximate form with H in it. The exact form gives
 * 3494.5 to 10416.7 mm (computed): the forms differ by 5.5 and 50 mm, and must not be mixed. */
START_TEST(forms_are_not_mixed)
{
    double big_h = field_hyperfocal_mm(50, 8, .03), s = big_h / 2;
    near_to(big_h, 10467, 0.5, "H");
    near_to(big_h * s / (big_h + s), 3489, 0.5, "the published figure is the approximate form");
    near_to(big_h * s / (big_h - s), 10467, 0.5, "the published figure is the approximate form");
    near_to(field_near_mm(50, 8, .03, s), 3494.5, 0.1, "exact near");
    near_to(field_far_mm(50, 8, .03, s), 10416.7, 0.1, "exact far");
}
END_TEST

/* stason.org lenses FAQ: focused at H/8, limits are 8/9 and 8/7 of the distance. True for s >> f only, so a
 * long way from a short lens. */
START_TEST(eighth_of_hyperfocal)
{
    double f = 10, n = 1, c = .001, s = (field_hyperfocal_mm(f, n, c) - f) / 8;
    near_to(field_near_mm(f, n, c, s) / s, 8.0 / 9, 1e-3, "near");
    near_to(field_far_mm(f, n, c, s) / s, 8.0 / 7, 1e-3, "far");
}
END_TEST

/* schmidtmitdete.de copy of an encyclopaedia. 90 mm f/2.8 on 6x7: H = 49 m, at 2 m sharp from 1.921 to 2.085
 * m, 163 mm deep. It names no c; .059 mm is what gives its H. Its limits are of the approximate form; the
 * exact form is 7 mm shallower. 50 mm f/2 on 35 mm film: H = 43 m, which is c = .0291, 1/1500 of the
 * diagonal. */
START_TEST(medium_format)
{
    double big_h = field_hyperfocal_mm(90, 2.8, .059), s = 2000;
    near_to(big_h, 49e3, 200, "H of 90 mm f/2.8");
    near_to(big_h * s / (big_h + s), 1921, 1, "near, approximate form");
    near_to(big_h * s / (big_h - s), 2085, 1, "far, approximate form");
    double exact = field_far_mm(90, 2.8, .059, s) - field_near_mm(90, 2.8, .059, s);
    near_to(exact, 163 * (1 - .09 / 2), 1, "depth, exact form");
    near_to(field_hyperfocal_mm(50, 2, .0291), 43e3, 100, "H of 50 mm f/2");
}
END_TEST

/* Scales and tables of lens and camera manuals, in m or ft. Coarse readings: they
 * are rounded to whole marks, which leaves 4 % at the near and 16 % at the far limit. c = 1/30 mm is from
 * memory for the lens maker's. */
START_TEST(manuals)
{
    const struct {
        const char *source;
        double f, n, c, s, near, far;
    } table[] = {
        {"Leica M6TTL/M7/MP manual, 50 mm at 5 m f/1.4", 50, 1.4, 1.0 / 30, 5, 4.6, 5.5},
        {"the same, f/4 (about 4 to 8 m)", 50, 4, 1.0 / 30, 5, 4, 8},
        {"the same, f/11", 50, 11, 1.0 / 30, 5, 3, 20},
        {"the same, f/16", 50, 16, 1.0 / 30, 5, 2.5, INFINITY},
        {"Leica M2 manual, 50 mm at 15 ft f/4", 50, 4, 1.0 / 30, 15 * .3048, 12.5 * .3048, 20 * .3048},
        {"the same, f/11", 50, 11, 1.0 / 30, 15 * .3048, 9 * .3048, 40 * .3048},
        {"Pentax K1000 manual, standard lens at 3 m f/8", 55, 8, 1.0 / 30, 3, 2.3, 4.5},
        {"Contaflex II manual, 45 mm at 6 ft f/8 (c = .05, older and looser)", 45, 8, .05, 6 * .3048,
         4.5 * .3048, 9 * .3048},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        double near = field_near_mm(table[i].f, table[i].n, table[i].c, table[i].s * 1000) / 1000;
        double far = field_far_mm(table[i].f, table[i].n, table[i].c, table[i].s * 1000) / 1000;
        near_to(near, table[i].near, .04 * table[i].near, table[i].source);
        if (isinf(table[i].far))
            ck_assert_msg(isinf(far), "%s", table[i].source);
        else
            near_to(far, table[i].far, .16 * table[i].far, table[i].source);
    }
}
END_TEST

/* Airy disc 2.44 lambda N, 550 nm (fourelementsinthreegroups.blogspot has the formula). The f-number at which
 * the disc fills the circle of confusion, and diameters in um, are computed: the page's own constant
 * 0.0011342 is a slip for 0.001342. */
START_TEST(diffraction)
{
    const double discs[][2] = {{2.8, 3.758}, {4, 5.368},   {5.6, 7.515},
                               {8, 10.736},  {11, 14.762}, {16, 21.472}};
    for (size_t i = 0; i < sizeof discs / sizeof *discs; i++)
        near_to(field_airy_mm(discs[i][0]) * 1000, discs[i][1], 6e-4, "Airy disc, um");
    near_to(field_airy_mm(22.4), .030, 1e-4, "full frame");
    near_to(field_airy_mm(11.2), .015, 1e-4, "Four Thirds");
}
END_TEST

/* README of horshack-dpreview/RollingShutter: 4000 rows in 50 ms are 12.5 us each; by the lamp method 23
 * bands of 2 ms in 3642 rows make 50.5 ms over 4000 rows (its third decimal is off, so .1 ms). */
START_TEST(rolling_shutter)
{
    near_to(field_row_time_s(.050, 4000), 12.5e-6, 1e-9, "row");
    near_to(field_row_time_s(23 * .002, 3642) * 4000, .0505, 1e-4, "lamp");
}
END_TEST

static struct field_setup setup_of(double f, double n, double s_m, double coc)
{
    struct field_setup s = field_setup_empty();
    s.focal_mm = f;
    s.f_number = n;
    s.distance_mm = s_m * 1000;
    s.sensor = field_sensor_of_coc(coc);
    s.coc_mm = coc;
    return s;
}

static struct field_answer solved(const struct field_setup *s)
{
    struct field_answer a;
    struct err err = ERR_INIT;
    ck_assert_msg(field_solve(s, &a, &err), "%s", err.message);
    return a;
}

/* Worked values of the exact form, computed apart from this code; there is no publication of them. */
START_TEST(worked_values)
{
    const struct {
        double f, n, s, c, near, far, depth, m, sky;
    } table[] = {
        {300, 4, 5, .015, 4984.4, 5015.7, 31.33, .063830, 4.787},
        {300, 4, 3, .015, 2994.6, 3005.4, 10.80, .111111, 8.333},
        {150, 2.8, 2.5, .015, 2489.1, 2511.0, 21.93, .063830, 3.419},
        {400, 5.6, 8, .015, 7968.2, 8032.0, 63.84, .052632, 3.759},
        {500, 5.6, 7, .019, 6980.7, 7019.4, 38.73, .076923, 6.868},
        {500, 5.6, 7, .020, 6979.7, 7020.4, 40.77, .076923, 6.868},
        {600, 4, 10, .03, 9968.8, 10031.4, 62.67, .063830, 9.574},
        {400, 2.8, 6, .03, 5982.4, 6017.7, 35.28, .071429, 10.204},
        {200, 2.8, 4, .03, 3968.3, 4032.2, 63.84, .052632, 3.759},
        {50, 8, 3, .03, 2337.9, 4185.3, 1847.36, .016949, .1059},
    };
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        struct field_setup s = setup_of(table[i].f, table[i].n, table[i].s, table[i].c);
        s.background_mm = INFINITY;
        struct field_answer a = solved(&s);
        near_to(a.near_mm, table[i].near, 0.06, "near");
        near_to(a.far_mm, table[i].far, 0.06, "far");
        near_to(a.depth_mm, table[i].depth, 0.006, "depth");
        near_to(a.magnification, table[i].m, 6e-7, "magnification");
        near_to(a.background_blur_mm, table[i].sky, 6e-4, "sky");
    }
    near_to(field_hyperfocal_mm(300, 4, .015) - 300, 1500e3, 1, "h of 300/4");
    near_to(field_hyperfocal_mm(500, 5.6, .019) - 500, 2349.62e3, 10, "h of 500/5.6");
}
END_TEST

START_TEST(worked_blur)
{
    struct field_setup s = setup_of(300, 4, 5, .015);
    const double behind[][2] = {{5.03, .02855}, {10, 2.3936}};
    for (size_t i = 0; i < 2; i++) {
        s.background_mm = behind[i][0] * 1000;
        near_to(solved(&s).background_blur_mm, behind[i][1], 6e-5, "blur disc");
    }
    near_to(solved(&s).background_blur_px, 721, 0.5, "blur disc, px of 3.32 um");
    near_to(field_blur_mm(600, 4, 10000, 10100), .0948, 6e-5, "600/4");
    near_to(field_blur_mm(150, 2.8, 2500, 2450), .0698, 6e-5, "in front of the plane");
    const double motion[][3] = {
        {8, 3200, 48.06}, {5, 2000, 48.06}, {10, 4000, 48.06}, {2, 3200, 12.02}, {6, 3200, 36.05}};
    for (size_t i = 0; i < sizeof motion / sizeof *motion; i++) {
        s.speed_mps = motion[i][0];
        s.shutter_s = 1 / motion[i][1];
        near_to(solved(&s).motion_blur_px, motion[i][2], 0.02, "motion blur, px");
    }
    s.speed_mps = 5;
    s.blur_mm = s.sensor.pitch_mm;
    near_to(1 / solved(&s).shutter_needed_s, 96e3, 200, "shutter for one px");
}
END_TEST

START_TEST(worked_timing)
{
    struct field_setup s = setup_of(300, 4, 5, .015);
    const double head_on[][4] = {{2, 15.67, .94, 1.88},
                                 {5, 6.27, .376, .752},
                                 {8, 3.92, .235, .470},
                                 {10, 3.13, .188, .376},
                                 {12, 2.61, .157, .313}};
    for (size_t i = 0; i < sizeof head_on / sizeof *head_on; i++) {
        s.speed_mps = head_on[i][0];
        s.fps = 60;
        struct field_answer a = solved(&s);
        near_to(a.time_in_depth_s * 1000, head_on[i][1], 0.006, "ms in the zone");
        near_to(a.frames_in_depth, head_on[i][2], 6e-4, "frames at 60");
        s.fps = 120;
        near_to(solved(&s).frames_in_depth, head_on[i][3], 6e-4, "frames at 120");
    }
    const double angles[][2] = {{90, .752}, {60, .868}, {30, 1.50}, {10, 4.33}};
    s.speed_mps = 5;
    for (size_t i = 0; i < sizeof angles / sizeof *angles; i++) {
        s.angle_deg = angles[i][0];
        near_to(solved(&s).frames_in_depth, angles[i][1], 0.006, "frames at an angle");
    }
    near_to(solved(&s).advance_mm, 41.7, 0.05, "advance at 120");
    s.reaction_s = .250;
    near_to(solved(&s).reaction_frames, 30, 1e-9, "frames lost");
    s.readout_s = .0162;
    s.angle_deg = 0;
    near_to(solved(&s).skew_mm, 81, 0.05, "rolling shutter, mm");
    near_to(solved(&s).skew_px, 1557, 1, "rolling shutter, px");
    ck_assert(isinf(solved(&s).frames_in_depth)); /* never leaves the zone */
    s.card_bytes = 64e9;
    s.frame_bytes = 20e6;
    near_to(solved(&s).card_frames, 3200, 0, "frames on a card");
    near_to(solved(&s).card_s, 3200 / 120.0, 1e-9, "until it is full");
}
END_TEST

/*
 * Common practice, no source: a photographer of small birds, 300 mm wide open at f/4 on Four Thirds, the bird
 * a few metres off, taken here as 5 m. What he says, and what comes out:
 * - "an inch before or behind the plane is slightly soft": the zone ends 15.6 mm before and 15.7 mm behind,
 * so an inch is outside; the disc there is 1.6 times the circle of confusion, 7 to 8 px. Slightly is right.
 * - "a background 40 to 50 feet behind is smooth": discs of 20 to 21 % of the frame's width.
 * - "8 to 9 feet behind is messy": 9 to 10 %. Messy and smooth lie a factor of two apart.
 * - "a painted board 5 to 6 feet behind passes as natural": 6 to 7.4 %, less than what is messy. So it is not
 *   the optics that make it pass: the paint has no edges that would have to vanish. The numbers agree with
 * the order of the two backgrounds and cannot speak for the board.
 */
START_TEST(practice)
{
    struct field_setup s = setup_of(300, 4, 5, .015);
    struct field_answer a = solved(&s);
    ck_assert(5000 - a.near_mm < 25.4 && a.far_mm - 5000 < 25.4);
    double inch_before = field_blur_mm(300, 4, 5000, 5000 - 25.4);
    double inch_behind = field_blur_mm(300, 4, 5000, 5000 + 25.4);
    near_to(inch_before / .015, 1.63, 0.02, "an inch before");
    near_to(inch_behind / .015, 1.61, 0.02, "an inch behind");
    const struct {
        double from_ft, to_ft, least, most;
    } table[] = {{40, 50, .195, .21}, {8, 9, .09, .10}, {5, 6, .06, .075}};
    for (size_t i = 0; i < 3; i++) {
        double low = field_blur_mm(300, 4, 5000, 5000 + table[i].from_ft * FOOT) / s.sensor.width_mm;
        double high = field_blur_mm(300, 4, 5000, 5000 + table[i].to_ft * FOOT) / s.sensor.width_mm;
        ck_assert_msg(low >= table[i].least && high <= table[i].most, "%g to %g ft: %.4f to %.4f",
                      table[i].from_ft, table[i].to_ft, low, high);
    }
}
END_TEST

/* ---- properties ---- */

static uint32_t next_random(uint32_t *state)
{
    *state = *state * 1664525u + 1013904223u; /* Numerical Recipes */
    return *state >> 8;
}

static double between(uint32_t *state, double low, double high)
{
    return low * pow(high / low, next_random(state) / 16777216.0);
}

START_TEST(properties)
{
    uint32_t state = 20261;
    for (int i = 0; i < 5000; i++) {
        double f = between(&state, 8, 1200), n = between(&state, 1, 32), c = between(&state, .003, .06);
        double s = f + between(&state, 10, 1e5), more = between(&state, 1.01, 1.5);
        double near = field_near_mm(f, n, c, s), far = field_far_mm(f, n, c, s);
        ck_assert_msg(f < near && near < s && s < far, "f %g n %g c %g s %g: %g .. %g", f, n, c, s, near,
                      far);
        /* Stopping down deepens the zone at both ends. */
        ck_assert(field_near_mm(f, n * more, c, s) < near);
        ck_assert(isinf(far) ? isinf(field_far_mm(f, n * more, c, s))
                             : field_far_mm(f, n * more, c, s) > far);
        /* Farther off, the zone moves away and deepens. */
        double near2 = field_near_mm(f, n, c, s * more), far2 = field_far_mm(f, n, c, s * more);
        ck_assert(near2 > near && (isinf(far) ? isinf(far2) : far2 > far));
        if (isfinite(far2))
            ck_assert(far2 - near2 > far - near);
        /* At its limits a point is as wide as the circle of confusion. */
        near_to(field_blur_mm(f, n, s, near) / c, 1, 1e-6, "disc at the near limit");
        if (isfinite(far) && far < 1e4 * s)
            near_to(field_blur_mm(f, n, s, far) / c, 1, 1e-6, "disc at the far limit");
        /* The plane of focus is the harmonic mean of the limits (the same encyclopaedia article). */
        if (isfinite(far))
            near_to(2 * near * far / (near + far) / s, 1, 1e-9, "harmonic mean");
        double b = field_blur_mm(f, n, s, s * more);
        near_to(field_blur_where_mm(f, n, s, b) / (s * more), 1, 1e-9, "where and how much");
        ck_assert(field_blur_mm(f, n, s, s * more * 1.1) > b && field_blur_mm(f, n, s, INFINITY) > b);
    }
}
END_TEST

START_TEST(hyperfocal_is_the_edge)
{
    double big_h = field_hyperfocal_mm(50, 8, .03);
    ck_assert(isinf(field_far_mm(50, 8, .03, big_h)));
    ck_assert(isfinite(field_far_mm(50, 8, .03, big_h - 1)));
    near_to(field_near_mm(50, 8, .03, big_h), big_h / 2, 1e-6, "half of it");
}
END_TEST

/* ---- units ---- */

START_TEST(lengths)
{
    const struct {
        const char *text;
        double mm;
        bool feet;
    } good[] = {
        {"5m", 5000, false},       {"500cm", 5000, false},       {"5 m", 5000, false},
        {"5", 5000, false},        {"4.5", 4500, false},         {".5m", 500, false},
        {"300mm", 300, false},     {"15um", .015, false},        {"15\xc2\xb5m", .015, false},
        {"1.2km", 1.2e6, false},   {"16ft", 16 * FOOT, true},    {"3in", 76.2, true},
        {"16ft5in", 5003.8, true}, {"16 ft 5 in", 5003.8, true}, {"16'5\"", 5003.8, true},
        {"16'5", 5003.8, true},    {"20yd", 60 * FOOT, true},
    };
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        double mm = -1;
        bool feet = !good[i].feet;
        struct err err = ERR_INIT;
        ck_assert_msg(field_read_length("--distance", good[i].text, 1000, false, &mm, &feet, &err), "%s",
                      err.message);
        near_to(mm, good[i].mm, 1e-9 * good[i].mm, good[i].text);
        ck_assert_msg(feet == good[i].feet, "%s", good[i].text);
    }
    const char *const bad[] = {
        "",     " ",        "m",       "-5m",    "+5m",    "5mm5",  "5m 3",
        "5x",   "1e3m",     "0x10m",   "nan",    "inf",    "5..2m", "5,2m",
        "5mil", "16ft13in", "3in 2ft", "5m 2cm", "5ft 2m", "1/2m",  "99999999999999999999999999999m"};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        double mm = 7;
        struct err err = ERR_INIT;
        ck_assert_msg(!field_read_length("--distance", bad[i], 1000, false, &mm, NULL, &err), "'%s' is %g",
                      bad[i], mm);
        ck_assert(err.code == ERR_USAGE && strstr(err.message, "--distance") != NULL);
        ck_assert_msg(mm == 7, "'%s' left a value behind", bad[i]);
    }
    double mm;
    ck_assert(field_read_length("--background", "inf", 1000, true, &mm, NULL, NULL) && isinf(mm));
}
END_TEST

START_TEST(other_units)
{
    struct err err = ERR_INIT;
    double v;
    enum field_blur_unit unit;
    ck_assert(field_read_speed("--speed", "8m/s", &v, &err) && v == 8);
    ck_assert(field_read_speed("--speed", "8", &v, &err) && v == 8);
    ck_assert(field_read_speed("--speed", "36 km/h", &v, &err));
    near_to(v, 10, 1e-12, "km/h");
    ck_assert(field_read_speed("--speed", "30mph", &v, &err));
    near_to(v, 13.4112, 1e-9, "mph"); /* 1609.344 m exactly */
    ck_assert(field_read_time("--shutter", "1/3200", &v, &err) && v == 1 / 3200.0);
    ck_assert(field_read_time("--shutter", "1/3200s", &v, &err) && v == 1 / 3200.0);
    ck_assert(field_read_time("--shutter", "2.5ms", &v, &err));
    near_to(v, .0025, 1e-12, "ms");
    ck_assert(field_read_time("--shutter", "0.5", &v, &err) && v == .5);
    const char *const apertures[] = {"4", "f4", "F4", "f/4", "F/4", "4.0"};
    for (size_t i = 0; i < sizeof apertures / sizeof *apertures; i++)
        ck_assert(field_read_aperture("--aperture", apertures[i], &v, &err) && v == 4);
    ck_assert(field_read_angle("--angle", "30\xc2\xb0", &v, &err) && v == 30);
    ck_assert(field_read_bytes("--card", "64", 1e9, &v, &err) && v == 64e9);
    ck_assert(field_read_bytes("--card", "512MiB", 1e9, &v, &err) && v == 536870912);
    ck_assert(field_read_blur("--coc", "0.015", FIELD_BLUR_MM, &v, &unit, &err) && v == .015 &&
              unit == FIELD_BLUR_MM);
    ck_assert(field_read_blur("--coc", "2px", FIELD_BLUR_MM, &v, &unit, &err) && v == 2 &&
              unit == FIELD_BLUR_PX);
    ck_assert(field_read_blur("--smooth", "10", FIELD_BLUR_SHARE, &v, &unit, &err) && v == .1 &&
              unit == FIELD_BLUR_SHARE);
    ck_assert(field_read_blur("--smooth", "10%", FIELD_BLUR_SHARE, &v, &unit, &err) && v == .1);
    ck_assert(field_read_pixels("--pixels", "5184x3888", &v, &err) && v == 5184);
    ck_assert(!field_read_time("--shutter", "1/0", &v, NULL) &&
              !field_read_time("--shutter", "1/2/3", &v, NULL));
    ck_assert(!field_read_time("--shutter", "/3200", &v, NULL) &&
              !field_read_time("--shutter", "1/3200m", &v, NULL));
    ck_assert(!field_read_aperture("--aperture", "f/", &v, NULL) &&
              !field_read_aperture("--aperture", "4f", &v, NULL));
    ck_assert(!field_read_speed("--speed", "8m", &v, NULL) &&
              !field_read_bytes("--card", "64GBs", 1e9, &v, NULL));
    ck_assert(!field_read_pixels("--pixels", "51.5", &v, NULL) &&
              !field_read_pixels("--pixels", "5184x", &v, NULL));
    ck_assert_int_eq(err.code, ERR_NONE);
}
END_TEST

/* What is printed can be typed again, and means the same to the digits that are printed. */
START_TEST(round_trips)
{
    uint32_t state = 7;
    char text[FIELD_TEXT_SIZE];
    for (int i = 0; i < 5000; i++) {
        double mm = between(&state, .01, 5e8), again;
        bool feet = i % 2 == 1, was_feet;
        struct err err = ERR_INIT;
        ck_assert_msg(field_read_length("--distance", field_length_text(text, mm, feet), 1, false, &again,
                                        &was_feet, &err),
                      "%s", err.message);
        /* Four digits; a twentieth of an inch between a foot and a hundred; three digits below. */
        near_to(again / mm, 1, feet ? 5.1e-3 : 5.1e-4, text);
        ck_assert(was_feet == feet);
        double s = between(&state, 1e-5, 0.05);
        ck_assert(field_read_time("--shutter", field_exposure_text(text, s), &again, &err));
        near_to(again / s, 1, 0.05, text);
        s = between(&state, 1e-4, 3000);
        ck_assert_msg(field_read_time("--shutter", field_duration_text(text, s), &again, &err), "%s", text);
        near_to(again / s, 1, 0.051, text);
    }
    ck_assert_str_eq(field_length_text(text, 5003.8, true), "16 ft 5 in");
    ck_assert_str_eq(field_length_text(text, 11.99 * 25.4, true), "1 ft");
    ck_assert_str_eq(field_length_text(text, 999.97, false), "1 m");
    ck_assert_str_eq(field_length_text(text, INFINITY, true), "infinity");
    ck_assert_str_eq(field_exposure_text(text, 1.0 / 3200), "1/3200 s");
    ck_assert_str_eq(field_exposure_text(text, 1.0 / 4), "1/4 s");
    ck_assert_str_eq(field_exposure_text(text, .3), "0.3 s");
}
END_TEST

START_TEST(sensors)
{
    struct field_sensor s;
    struct err err = ERR_INIT;
    for (size_t i = 0; field_sensor_name(i) != NULL; i++) {
        ck_assert(field_read_sensor("--sensor", field_sensor_name(i), &s, &err));
        ck_assert_str_eq(field_sensor_of_coc(s.coc_mm).name, s.name);
        /* The convention is the crop factor's, to the two digits that it is quoted with. */
        near_to(s.coc_mm, .030 * hypot(s.width_mm, s.height_mm) / hypot(36, 24), 5e-4, s.name);
    }
    ck_assert_str_eq(field_sensor_of_coc(.019).name, "aps-c");
    ck_assert_str_eq(field_sensor_of_coc(1.0 / 30).name, "full-frame");
    ck_assert_str_eq(field_sensor_of_coc(.0288).name, "full-frame");
    ck_assert_str_eq(field_sensor_of_coc(.06).name, "full-frame");
    ck_assert_str_eq(field_sensor_of_coc(NAN).name, "full-frame");
    struct field_sensor crop;
    ck_assert(field_sensor_of_crop(300, 450, 6000, 4000, &crop));
    ck_assert_str_eq(crop.name, "aps-c");
    ck_assert(field_sensor_of_crop(300, 600, 3888, 5184, &crop));
    ck_assert_str_eq(crop.name, "four-thirds");
    ck_assert(field_sensor_of_crop(50, 50, 6000, 4000, &crop));
    ck_assert_str_eq(crop.name, "full-frame");
    ck_assert(field_sensor_of_crop(100, 161, 6000, 4000, &crop) && isnan(crop.pitch_mm)); /* 22.3 x 14.9 mm */
    near_to(crop.width_mm, 22.3, .1, "crop 1.61");
    ck_assert(!field_sensor_of_crop(0, 600, 6000, 4000, &crop) &&
              !field_sensor_of_crop(300, 0, 6000, 4000, &crop));
    ck_assert(!field_sensor_of_crop(300, 600, 0, 0, &crop));
    ck_assert(field_read_sensor("--sensor", "22.3x14.9mm", &s, &err) && isnan(s.pitch_mm));
    near_to(s.coc_mm, .0186, 1e-4, "1.61 crop");
    const char *const bad[] = {"", "x", "17.3", "17.3x", "0x13", "17.3x13cm", "300x200", "medium"};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++)
        ck_assert_msg(!field_read_sensor("--sensor", bad[i], &s, NULL), "%s", bad[i]);
}
END_TEST

/* ---- what cannot be, and what is printed ---- */

static void refused(struct field_setup s, const char *value)
{
    struct field_answer a;
    struct err err = ERR_INIT;
    ck_assert_msg(!field_solve(&s, &a, &err), "accepted: %s", value);
    ck_assert_int_eq(err.code, ERR_USAGE);
    ck_assert_msg(strstr(err.message, value) != NULL && strchr(err.message, '\n') == NULL,
                  "'%s' does not name %s", err.message, value);
}

START_TEST(impossible)
{
    const struct field_setup good = setup_of(300, 4, 5, .015);
    struct field_setup s;
    (void)solved(&good);
    s = good, s.focal_mm = 0, refused(s, "0 mm");
    s = good, s.focal_mm = NAN, refused(s, "focal length");
    s = good, s.f_number = 0, refused(s, "f/0");
    s = good, s.distance_mm = 300, refused(s, "'300 mm'");
    s = good, s.distance_mm = INFINITY, refused(s, "inf");
    s = good, s.coc_mm = 0, refused(s, "0 mm");
    s = good, s.focal_mm = 8, s.f_number = 8, s.coc_mm = 1, refused(s, "'1 mm'");
    s = good, s.background_mm = 4000, refused(s, "'4 m'");
    s = good, s.speed_mps = 0, refused(s, "0 m/s");
    s = good, s.angle_deg = 91, refused(s, "91 degrees");
    s = good, s.shutter_s = 0, refused(s, "0 s");
    s = good, s.shutter_s = .1, s.fps = 60, refused(s, "'1/10 s'");
    s = good, s.fps = 0, refused(s, "0 a second");
    s = good, s.card_bytes = 1e6, s.frame_bytes = 20e6, refused(s, "20 MB");
    s = good, s.shutter_s = 1.0 / 60, s.fps = 60, (void)solved(&s);
    s = good, s.background_mm = s.distance_mm, near_to(solved(&s).background_blur_mm, 0, 0, "at the plane");
}
END_TEST

static double json_number(const cJSON *o, const char *key)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(o, key);
    ck_assert_msg(item != NULL, "no %s", key);
    return cJSON_IsNull(item) ? (double)NAN : item->valuedouble;
}

START_TEST(json)
{
    struct field_setup s = setup_of(50, 16, 12, .03);
    struct field_answer a = solved(&s);
    struct str out = STR_INIT;
    ck_assert(field_write_json(&out, &s, &a, NULL));
    cJSON *o = cJSON_Parse(out.bytes);
    ck_assert(o != NULL && out.bytes[out.size - 1] == '\n');
    near_to(json_number(o, "format"), 1, 0, "format");
    near_to(json_number(o, "near_mm"), a.near_mm, 1e-4, "near_mm");
    const char *const nulls[] = {
        "far_mm",         "depth_mm",        "background_blur_mm", "background_blur_px",
        "motion_blur_px", "frames_in_depth", "reaction_frames"};
    for (size_t i = 0; i < sizeof nulls / sizeof *nulls; i++)
        ck_assert_msg(isnan(json_number(o, nulls[i])), "%s", nulls[i]);
    cJSON_Delete(o);
    str_release(&out);
}
END_TEST

START_TEST(everything_at_once)
{
    struct field_setup s = setup_of(300, 4, 5, .015);
    struct field_row rows[FIELD_MAX_ROWS];
    struct str out = STR_INIT;
    s.background_mm = 12e3, s.smooth_mm = 2, s.speed_mps = 8, s.shutter_s = 1 / 3200.0, s.readout_s = .008;
    s.fps = 120, s.card_bytes = 64e9, s.frame_bytes = 20e6;
    for (int feet = 0; feet < 2; feet++) {
        s.feet = feet;
        struct field_answer a = solved(&s);
        size_t n = field_rows(&s, &a, rows);
        ck_assert(n > 20 && n <= FIELD_MAX_ROWS);
        for (size_t i = 0; i < n; i++) {
            /* One short of the array is a value that was cut. */
            ck_assert(strlen(rows[i].label) < sizeof rows[i].label - 1);
            ck_assert(strlen(rows[i].value) < sizeof rows[i].value - 1);
            ck_assert(strlen(rows[i].note) < sizeof rows[i].note - 1);
            ck_assert_msg(strstr(rows[i].note, "nan") == NULL && strstr(rows[i].value, "nan") == NULL, "%s",
                          rows[i].label);
        }
        field_write_table(&out, &s, &a);
        field_write_picture(&out, &s, &a);
    }
    ck_assert(str_ok(&out, NULL));
    ck_assert(strstr(out.bytes, "nan") == NULL && strstr(out.bytes, "-inf") == NULL);
    str_release(&out);
}
END_TEST

int main(void)
{
    Suite *suite = suite_create("field");
    TCase *published = tcase_create("published"), *ours = tcase_create("ours");
    tcase_add_test(published, guide_hyperfocal);
    tcase_add_test(published, guide_limits);
    tcase_add_test(published, forms_are_not_mixed);
    tcase_add_test(published, eighth_of_hyperfocal);
    tcase_add_test(published, medium_format);
    tcase_add_test(published, manuals);
    tcase_add_test(published, diffraction);
    tcase_add_test(published, rolling_shutter);
    tcase_add_test(published, practice);
    suite_add_tcase(suite, published);
    tcase_add_test(ours, worked_values);
    tcase_add_test(ours, worked_blur);
    tcase_add_test(ours, worked_timing);
    tcase_add_test(ours, properties);
    tcase_add_test(ours, hyperfocal_is_the_edge);
    tcase_add_test(ours, lengths);
    tcase_add_test(ours, other_units);
    tcase_add_test(ours, round_trips);
    tcase_add_test(ours, sensors);
    tcase_add_test(ours, impossible);
    tcase_add_test(ours, json);
    tcase_add_test(ours, everything_at_once);
    suite_add_tcase(suite, ours);
    SRunner *runner = srunner_create(suite);
    srunner_run_all(runner, CK_NORMAL);
    int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    return failed == 0 ? 0 : 1;
}
