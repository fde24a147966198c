#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/field.h"
#include "chaffinch/publish.h"
#include "chaffinch/report.h"
#include "cli.h"
#include "frame_argument.h"

enum { SCALE_WORD = 512 };

/* "FRAME:120mm@X1,Y1-X2,Y2" and perhaps "=the perch": of the ends, since a file name may hold anything. */
static bool read_scale(const char *text, char frame[SCALE_WORD], struct report_scale *scale, struct err *err)
{
    char safe[200], length[40];
    const char *at = strrchr(text, '@'), *colon = at;
    double *e = &scale->end_px[0][0];
    int used = 0;
    while (colon != NULL && colon > text && *colon != ':')
        colon--;
    *scale = (struct report_scale){.mm = 0};
    if (colon == NULL || colon == text || (size_t)(colon - text) >= SCALE_WORD ||
        (size_t)(at - colon) >= sizeof length ||
        sscanf(at, "@%lf,%lf-%lf,%lf%n", &e[0], &e[1], &e[2], &e[3], &used) != 4 ||
        (at[used] != '\0' && at[used] != '='))
        return err_set(
            err, ERR_USAGE,
            "--scale takes a frame, the length of what it shows and its two ends in px of the stored "
            "picture, as FRAME:120mm@1050,730-1330,730, not '%s'",
            err_escape(safe, sizeof safe, text));
    (void)snprintf(length, sizeof length, "%.*s", (int)(at - colon - 1), colon + 1);
    (void)snprintf(frame, SCALE_WORD, "%.*s", (int)(colon - text), text);
    scale->name = at[used] == '=' && at[used + 1] != '\0' ? at + used + 1 : NULL;
    return field_read_length("--scale", length, 1, false, &scale->mm, NULL, err);
}

static bool read_sensor(const char *text, struct report_lesson_options *options, struct err *err)
{
    struct field_sensor sensor;
    if (text == NULL)
        return true;
    if (!field_read_sensor("--sensor", text, &sensor, err))
        return false;
    options->sensor = (struct report_sensor){sensor.width_mm, sensor.coc_mm};
    return true;
}

static bool read_format(const char *word, struct report_lesson_options *options, struct err *err)
{
    char safe[100];
    if (word == NULL || strcmp(word, "text") == 0)
        options->format = REPORT_LESSON_TEXT;
    else if (strcmp(word, "json") == 0)
        options->format = REPORT_LESSON_JSON;
    else
        return err_set(err, ERR_USAGE, "--format takes text or json, not '%s'",
                       err_escape(safe, sizeof safe, word));
    return true;
}

static bool report_one(struct cli *cli, const char *path, struct report_lesson_options *options,
                       const struct option_texts *scales, struct str *out, struct err *err)
{
    struct report_scale scale[OPTION_TEXTS_MAX];
    char frame[SCALE_WORD];
    struct session *s = session_open(cli->fs, path, SESSION_READ, cli->log, cli->stop, err);
    bool ok = s != NULL;
    for (size_t i = 0; ok && i < scales->n; i++) {
        int64_t id = 0;
        ok = read_scale(scales->text[i], frame, &scale[i], err) &&
             frame_argument_find(s->catalogue, &s->root, frame, &id, err);
        scale[i].frame = id;
    }
    options->scale = scale;
    options->n_scales = scales->n;
    ok = ok && report_lesson(s, cli->workers, options, out, err);
    session_close(s);
    return ok;
}

static int report_all(struct cli *cli, const struct options_arguments *arguments,
                      struct report_lesson_options *options, const struct option_texts *scales,
                      const char *page)
{
    struct str out = STR_INIT, html = STR_INIT;
    struct err err = ERR_INIT;
    bool ok = true;
    for (size_t i = 0; ok && i < arguments->n; i++)
        ok = report_one(cli, arguments->arg[i], options, scales, &out, &err);
    if (ok && page != NULL) {
        options->format = REPORT_LESSON_PAGE;
        ok = report_one(cli, arguments->arg[0], options, scales, &html, &err) &&
             publish_user_file(cli->fs, page, html.bytes, html.size, &err);
    }
    if (ok)
        (void)fwrite(out.bytes, 1, out.size, stdout);
    str_release(&out);
    str_release(&html);
    return ok ? cli_finish(cli, 0) : cli_fail(cli, &err);
}

int cmd_report(struct cli *cli, int argc, char **argv)
{
    struct report_lesson_options options = {.format = REPORT_LESSON_TEXT};
    struct option_texts scales = {.n = 0};
    const char *format = NULL, *page = NULL, *sensor = NULL, *distance = NULL;
    uint32_t setup = 0;
    const struct option_spec table[] = {
        {"format", OPTION_TEXT, &format, "FORM", "text (default) or json, one object a session", 0, 0},
        {"page", OPTION_TEXT, &page, "FILE", "also write one self-contained HTML page; one session only", 0,
         0},
        {"scale", OPTION_TEXTS, &scales, "FRAME:LENGTH@X1,Y1-X2,Y2",
         "FRAME shows a focus aid of LENGTH between two px: cm for its set-up; '=NAME' names it", 0, 0},
        {"setup", OPTION_COUNT, &setup, "N", "only set-up N", 1, 1e9},
        {"left", OPTION_TEXT, &options.left, "THING", "what stands at the left, for the advice", 0, 0},
        {"right", OPTION_TEXT, &options.right, "THING", "what stands at the right", 0, 0},
        {"sensor", OPTION_TEXT, &sensor, "S", "four-thirds, aps-c, full-frame or WxH in mm", 0, 0},
        {"distance", OPTION_TEXT, &distance, "LENGTH",
         "of the plane of focus, where the Exif does not tell it", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch report",
        "SESSION... [--format text|json] [--page FILE] [--setup N]\n"
        "       [--scale FRAME:LENGTH@X1,Y1-X2,Y2[=NAME]] [--left THING] [--right THING]\n"
        "       [--sensor S] [--distance LENGTH]",
        "Says what a session teaches, per set-up: where the plane of focus lay and how far to move the focus "
        "aid,\n"
        "frames inside the sharp zone, speed and motion blur, whether focus or motion costs the frames, "
        "frames "
        "cut\nby side, the trigger, the length of bursts, keeper rates. Each with its numbers and its "
        "sample.",
        table,
        sizeof table / sizeof table[0],
        1,
        SIZE_MAX};
    struct options_arguments arguments;
    struct err err = ERR_INIT;
    int status;
    if (!cli_parse(cli, &spec, argc, argv, &arguments, &status))
        return status;
    options.setup = setup;
    if (read_format(format, &options, &err) && read_sensor(sensor, &options, &err) && distance != NULL)
        (void)field_read_length("--distance", distance, 1000, false, &options.distance_mm, NULL, &err);
    if (err.code == ERR_NONE && page != NULL && arguments.n > 1)
        err_set(&err, ERR_USAGE, "--page goes with one session");
    else if (err.code == ERR_NONE && scales.n > 0 && arguments.n > 1)
        err_set(&err, ERR_USAGE, "--scale goes with one session, the one that FRAME is of");
    return err.code != ERR_NONE ? cli_fail(cli, &err) : report_all(cli, &arguments, &options, &scales, page);
}
