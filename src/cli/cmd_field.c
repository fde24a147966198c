/* Planning: the words of the command line become a setup, the field module answers. */
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "chaffinch/decode.h"
#include "chaffinch/field.h"
#include "chaffinch/frame.h"
#include "chaffinch/publish.h"
#include "chaffinch/session.h"
#include "cli.h"

/* What was typed; NULL where nothing was. */
struct words {
    const char *focal, *aperture, *distance, *coc, *sensor, *pixels;
    const char *background, *smooth, *speed, *angle, *shutter, *blur, *readout, *fps, *reaction;
    const char *card, *frame_size, *format, *picture, *page, *from;
};

/* A blur of any unit in mm on the sensor. */
static bool blur_in_mm(const char *option, double value, enum field_blur_unit unit,
                       const struct field_sensor *sensor, double *mm, struct err *err)
{
    double factor[] = {
        [FIELD_BLUR_MM] = 1, [FIELD_BLUR_PX] = sensor->pitch_mm, [FIELD_BLUR_SHARE] = sensor->width_mm};
    if (isnan(factor[unit]))
        return err_set(err, ERR_USAGE, "%s '%g px' needs --pixels beside a sensor given by its size", option,
                       value);
    *mm = value * factor[unit];
    return true;
}

/* The sensor that was named, else the one that the circle of confusion is usual for; then its pixels. */
static bool read_sensor(const struct words *w, struct field_setup *s, struct err *err)
{
    double coc = NAN, width_px;
    enum field_blur_unit unit = FIELD_BLUR_MM;
    if (w->coc != NULL && !field_read_blur("--coc", w->coc, FIELD_BLUR_MM, &coc, &unit, err))
        return false;
    s->sensor_assumed = w->sensor == NULL;
    if (s->sensor_assumed)
        s->sensor = field_sensor_of_coc(unit == FIELD_BLUR_MM ? coc : NAN);
    else if (!field_read_sensor("--sensor", w->sensor, &s->sensor, err))
        return false;
    s->pitch_assumed = w->pixels == NULL && !isnan(s->sensor.pitch_mm);
    if (w->pixels != NULL) {
        if (!field_read_pixels("--pixels", w->pixels, &width_px, err))
            return false;
        s->sensor.pitch_mm = s->sensor.width_mm / width_px;
    }
    return isnan(coc) || blur_in_mm("--coc", coc, unit, &s->sensor, &s->coc_mm, err);
}

/* "+12m" is behind the subject, "12m" from the lens. */
static bool read_background(const char *text, struct field_setup *s, struct err *err)
{
    bool behind = *text == '+';
    if (!field_read_length("--background", text + (behind ? 1 : 0), 1000, true, &s->background_mm, NULL, err))
        return false;
    s->background_mm += behind ? s->distance_mm : 0;
    return true;
}

static bool read_optics(const struct words *w, struct field_setup *s, struct err *err)
{
    if (w->focal == NULL || w->aperture == NULL || w->distance == NULL)
        return err_set(err, ERR_USAGE,
                       "%s is missing: chaffinch field --focal MM --aperture N --distance LENGTH",
                       w->focal == NULL      ? "--focal"
                       : w->aperture == NULL ? "--aperture"
                                             : "--distance");
    return field_read_length("--focal", w->focal, 1, false, &s->focal_mm, NULL, err) &&
           field_read_aperture("--aperture", w->aperture, &s->f_number, err) &&
           field_read_length("--distance", w->distance, 1000, false, &s->distance_mm, &s->feet, err) &&
           read_sensor(w, s, err) && (w->background == NULL || read_background(w->background, s, err));
}

static bool read_blurs(const struct words *w, struct field_setup *s, struct err *err)
{
    double value;
    enum field_blur_unit unit;
    return (w->smooth == NULL ||
            (field_read_blur("--smooth", w->smooth, FIELD_BLUR_SHARE, &value, &unit, err) &&
             blur_in_mm("--smooth", value, unit, &s->sensor, &s->smooth_mm, err))) &&
           (w->blur == NULL || (field_read_blur("--blur", w->blur, FIELD_BLUR_PX, &value, &unit, err) &&
                                blur_in_mm("--blur", value, unit, &s->sensor, &s->blur_mm, err)));
}

static bool read_rest(const struct words *w, struct field_setup *s, struct err *err)
{
    if ((w->card == NULL) != (w->frame_size == NULL))
        return err_set(err, ERR_USAGE, "--card and --frame-size go together");
    bool bare = w->speed != NULL && strpbrk(w->speed, "kmfn") == NULL;
    if (w->speed != NULL && strlen(w->speed) + sizeof " m/s" <= sizeof s->speed_text)
        (void)strcat(strcpy(s->speed_text, w->speed), bare ? " m/s" : "");
    return (w->speed == NULL || field_read_speed("--speed", w->speed, &s->speed_mps, err)) &&
           (w->angle == NULL || field_read_angle("--angle", w->angle, &s->angle_deg, err)) &&
           (w->shutter == NULL || field_read_time("--shutter", w->shutter, &s->shutter_s, err)) &&
           (w->readout == NULL || field_read_time("--readout", w->readout, &s->readout_s, err)) &&
           (w->reaction == NULL || field_read_time("--reaction", w->reaction, &s->reaction_s, err)) &&
           (w->card == NULL || field_read_bytes("--card", w->card, 1e9, &s->card_bytes, err)) &&
           (w->frame_size == NULL ||
            field_read_bytes("--frame-size", w->frame_size, 1e6, &s->frame_bytes, err)) &&
           read_blurs(w, s, err);
}

/* ---- what the Exif of a frame knows -------------------------------------------------------------------- */

/* In the words that the options take. */
struct frame_words {
    char focal[32], aperture[32], distance[32], shutter[32], pixels[32], sensor[32];
    struct str taken, lacks;
};

static void list_word(struct str *list, const char *word)
{
    str_printf(list, "%s%s", list->size > 0 ? ", " : "", word);
}

/* What was typed goes before what the frame tells. `lack` names what nobody says, with its option. */
static void take(struct frame_words *k, const char **word, char out[32], bool known, const char *text,
                 const char *lack)
{
    if (*word != NULL)
        return;
    if (!known) {
        list_word(&k->lacks, lack);
        return;
    }
    (void)snprintf(out, 32, "%s", text);
    list_word(&k->taken, text);
    *word = out;
}

struct number_text {
    char text[32];
};

static struct number_text number_text(const char *format, double value)
{
    struct number_text n;
    (void)snprintf(n.text, sizeof n.text, format, value);
    return n;
}

static void take_all(const struct frame_meta *m, struct frame_words *k, struct words *w)
{
    struct field_sensor sensor = {.width_mm = 0};
    double edge = fmax(m->width_px, m->height_px);
    bool film = field_sensor_of_crop(m->focal_mm, m->focal_35mm, m->width_px, m->height_px, &sensor);
    struct number_text size = number_text("%.4g", sensor.width_mm);
    (void)snprintf(size.text + strlen(size.text), sizeof size.text - strlen(size.text), "x%.4gmm",
                   sensor.height_mm);
    bool named = film && isfinite(sensor.pitch_mm); /* of sizes without a name no pitch is known */
    char exposure[FIELD_TEXT_SIZE];
    take(k, &w->focal, k->focal, m->focal_mm > 0, number_text("%.4gmm", m->focal_mm).text,
         "the focal length (--focal)");
    take(k, &w->aperture, k->aperture, m->f_number > 0, number_text("f/%.4g", m->f_number).text,
         "the aperture (--aperture)");
    take(k, &w->distance, k->distance, m->focus_m > 0, number_text("%.4gm", m->focus_m).text,
         "the distance (--distance)");
    take(k, &w->sensor, k->sensor, film, named ? sensor.name : size.text, "the sensor (--sensor)");
    take(k, &w->shutter, k->shutter, m->exposure_s > 0, field_exposure_text(exposure, m->exposure_s),
         "the shutter time (--shutter)");
    /* Without a sensor a number of pixels means nothing. */
    if (w->sensor != NULL)
        take(k, &w->pixels, k->pixels, edge > 0, number_text("%.0f", edge).text, "the pixels (--pixels)");
}

static bool read_frame(struct cli *cli, const char *path, struct frame_words *known, struct words *w,
                       struct err *err)
{
    struct frame_meta meta;
    char safe[200];
    int fd = files_open_regular(cli->fs, AT_FDCWD, path, NULL, path, err);
    bool ok = fd >= 0 && session_peek(cli->workers, fd, path, &meta, err);
    files_drop(cli->fs, fd);
    if (!ok)
        return false;
    take_all(&meta, known, w);
    if (!str_ok(&known->lacks, err) || !str_ok(&known->taken, err))
        return false;
    if (w->focal == NULL || w->aperture == NULL || w->distance == NULL)
        return err_set(err, ERR_USAGE, "the Exif of '%s' does not tell %s: type it",
                       err_escape(safe, sizeof safe, path), known->lacks.bytes);
    return true;
}

static void print_known(struct cli *cli, const char *path, const struct frame_words *known)
{
    char safe[200];
    if (known->taken.size > 0)
        log_line(cli->log, "taken from '%s': %s", err_escape(safe, sizeof safe, path), known->taken.bytes);
    if (known->lacks.size > 0)
        log_line(cli->log, "its Exif does not tell %s", known->lacks.bytes);
}

/* ---- the answer ---------------------------------------------------------------------------------------- */

static bool read_format(const char *word, bool *json, struct err *err)
{
    char safe[100];
    *json = word != NULL && strcmp(word, "json") == 0;
    return word == NULL || *json || strcmp(word, "table") == 0 ||
           err_set(err, ERR_USAGE, "--format takes table or json, not '%s'",
                   err_escape(safe, sizeof safe, word));
}

static bool print_answer(const struct field_setup *s, const struct field_answer *a, bool json,
                         struct err *err)
{
    struct str out = STR_INIT;
    bool ok = !json || field_write_json(&out, s, a, err);
    if (!json)
        field_write_table(&out, s, a);
    ok = ok && str_ok(&out, err);
    if (ok)
        (void)fwrite(out.bytes, 1, out.size, stdout);
    str_release(&out);
    return ok;
}

typedef void write_answer(struct str *out, const struct field_setup *setup,
                          const struct field_answer *answer);

static bool save(struct cli *cli, const char *path, write_answer *write, const struct field_setup *s,
                 const struct field_answer *a, struct err *err)
{
    struct str out = STR_INIT;
    write(&out, s, a);
    bool ok = str_ok(&out, err) && publish_user_file(cli->fs, path, out.bytes, out.size, err);
    str_release(&out);
    return ok;
}

/* By its ending: .svg, .png, .jpg. */
static bool save_picture(struct cli *cli, const char *path, const struct field_setup *s,
                         const struct field_answer *a, struct err *err)
{
    enum { QUALITY = 92 };
    char safe[200];
    const char *dot = strrchr(path, '.'), *ending = dot != NULL ? dot : "";
    bool png = strcasecmp(ending, ".png") == 0;
    struct decode_picture drawn = {0};
    uint8_t *bytes = NULL;
    size_t size = 0;
    if (strcasecmp(ending, ".svg") == 0)
        return save(cli, path, field_write_picture, s, a, err);
    if (!png && strcasecmp(ending, ".jpg") != 0 && strcasecmp(ending, ".jpeg") != 0)
        return err_set(err, ERR_USAGE, "--picture writes a .svg, .png or .jpg, not '%s'",
                       err_escape(safe, sizeof safe, path));
    bool ok = field_paint_picture(s, a, &drawn.width_px, &drawn.height_px, &drawn.rgb, err) &&
              (png ? decode_encode_png(&drawn, &bytes, &size, err)
                   : decode_encode_jpeg(&drawn, QUALITY, &bytes, &size, err)) &&
              publish_user_file(cli->fs, path, bytes, size, err);
    decode_picture_release(&drawn);
    free(bytes);
    return ok;
}

static int answer(struct cli *cli, struct words *w, struct field_setup *s)
{
    struct err err = ERR_INIT;
    struct field_answer a;
    bool json;
    struct frame_words known = {.taken = STR_INIT, .lacks = STR_INIT};
    bool ok = read_format(w->format, &json, &err) &&
              (w->from == NULL || read_frame(cli, w->from, &known, w, &err)) && read_optics(w, s, &err) &&
              read_rest(w, s, &err) && field_solve(s, &a, &err) &&
              (w->picture == NULL || save_picture(cli, w->picture, s, &a, &err)) &&
              (w->page == NULL || save(cli, w->page, field_write_page, s, &a, &err)) &&
              print_answer(s, &a, json, &err);
    if (ok && w->from != NULL)
        print_known(cli, w->from, &known);
    str_release(&known.taken);
    str_release(&known.lacks);
    return ok ? cli_finish(cli, 0) : cli_fail(cli, &err);
}

int cmd_field(struct cli *cli, int argc, char **argv)
{
    struct words w = {0};
    struct field_setup setup = field_setup_empty();
    const struct option_spec table[] = {
        {"focal", OPTION_TEXT, &w.focal, "MM", "focal length, as written on the lens", 0, 0},
        {"aperture", OPTION_TEXT, &w.aperture, "N", "f-number: 4 or f/4", 0, 0},
        {"distance", OPTION_TEXT, &w.distance, "LENGTH", "from lens to plane of focus: 5m, 500cm, 16ft", 0,
         0},
        {"sensor", OPTION_TEXT, &w.sensor, "S", "four-thirds, aps-c, full-frame or a size in mm, 17.3x13", 0,
         0},
        {"pixels", OPTION_TEXT, &w.pixels, "N", "px over the width of the picture: 5184 or 5184x3888", 0, 0},
        {"coc", OPTION_TEXT, &w.coc, "MM", "circle of confusion: 0.015 or 2px; by default the sensor's", 0,
         0},
        {"background", OPTION_TEXT, &w.background, "LENGTH",
         "from lens to background; +40ft: behind the subject; inf: the sky", 0, 0},
        {"smooth", OPTION_TEXT, &w.smooth, "BLUR",
         "wanted blur of the background: 10% of the width, 300px, 1.7mm", 0, 0},
        {"speed", OPTION_TEXT, &w.speed, "V", "of the subject: 8m/s, 30km/h, 18mph", 0, 0},
        {"angle", OPTION_TEXT, &w.angle, "DEG",
         "of its path to the plane of focus, 90 = head-on; without it the worst of each", 0, 0},
        {"shutter", OPTION_TEXT, &w.shutter, "T", "shutter time: 1/3200", 0, 0},
        {"blur", OPTION_TEXT, &w.blur, "BLUR",
         "motion blur that is allowed: 2px; by default the circle of confusion", 0, 0},
        {"readout", OPTION_TEXT, &w.readout, "T", "of a rolling shutter, first row to last: 8ms", 0, 0},
        {"fps", OPTION_NUMBER, &setup.fps, "N", "frames a second", 0.01, 10000},
        {"reaction", OPTION_TEXT, &w.reaction, "T",
         "from seeing to pressing (default 231ms, a mean of adults)", 0, 0},
        {"card", OPTION_TEXT, &w.card, "SIZE", "room on the card: 64GB", 0, 0},
        {"frame-size", OPTION_TEXT, &w.frame_size, "SIZE", "of one frame, all its files: 20MB", 0, 0},
        {"picture", OPTION_TEXT, &w.picture, "FILE",
         "draws the set-up from above: .svg, .png or .jpg; a file that exists is never replaced", 0, 0},
        {"page", OPTION_TEXT, &w.page, "FILE",
         "writes one self-contained page for a phone or A6 paper; never over a file", 0, 0},
        {"from", OPTION_TEXT, &w.from, "FRAME",
         "takes from a frame's Exif what is not given, and says what it does not tell", 0, 0},
        {"format", OPTION_TEXT, &w.format, "FORM", "table (default) or json", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch field",
        "--focal MM --aperture N --distance LENGTH [--from FRAME] [options]",
        "Works out before a session what will be sharp, how smooth the background is, how far a moving "
        "subject\nsmears and how many frames catch it. A thin lens in its exact form; distances from the "
        "lens. A number\nwithout a unit is mm for --focal and --coc, m for --distance and --background, m/s "
        "and s. Answers come in\nfeet when --distance is in feet. An aid, not a guarantee.",
        table,
        sizeof table / sizeof *table,
        0,
        0};
    struct options_arguments arguments;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    return answer(cli, &w, &setup);
}
