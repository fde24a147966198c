#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/field.h"
#include "chaffinch/publish.h"
#include "chaffinch/report.h"
#include "cli.h"

/* "120mm=333px": a focus aid of 120 mm is 333 px long in the picture. */
static bool read_scale(const char *text, struct report_lesson_options *options, struct err *err)
{
    char length[40], safe[100];
    double mm;
    const char *equals = text != NULL ? strchr(text, '=') : NULL;
    if (text == NULL)
        return true;
    if (equals != NULL && (size_t)(equals - text) < sizeof length) {
        (void)snprintf(length, sizeof length, "%.*s", (int)(equals - text), text);
        char *end;
        double px = strtod(equals + 1, &end);
        if (!field_read_length("--scale", length, 1, false, &mm, NULL, err))
            return false;
        if (end != equals + 1 && (*end == '\0' || strcmp(end, "px") == 0) && px >= 2 && mm > 0) {
            options->mm_per_px = mm / px;
            options->scale_error = 2 / px; /* each end is seen to a px */
            return true;
        }
    }
    return err_set(err, ERR_USAGE,
                   "--scale takes the length of a focus aid and its px in the picture, as 120mm=333px, "
                   "not '%s'",
                   err_escape(safe, sizeof safe, text));
}

static bool read_sensor(const char *text, struct report_lesson_options *options, struct err *err)
{
    struct field_sensor sensor;
    if (text == NULL)
        return true;
    if (!field_read_sensor("--sensor", text, &sensor, err))
        return false;
    options->sensor_width_mm = sensor.width_mm;
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

static bool report_one(struct cli *cli, const char *path, const struct report_lesson_options *options,
                       struct str *out, struct err *err)
{
    struct session *s = session_open(cli->fs, path, SESSION_READ, cli->log, cli->stop, err);
    bool ok = s != NULL && report_lesson(s, cli->workers, options, out, err);
    session_close(s);
    return ok;
}

static int report_all(struct cli *cli, const struct options_arguments *arguments,
                      struct report_lesson_options *options, const char *page)
{
    struct str out = STR_INIT, html = STR_INIT;
    struct err err = ERR_INIT;
    bool ok = true;
    for (size_t i = 0; ok && i < arguments->n; i++)
        ok = report_one(cli, arguments->arg[i], options, &out, &err);
    if (ok && page != NULL) {
        options->format = REPORT_LESSON_PAGE;
        ok = report_one(cli, arguments->arg[0], options, &html, &err) &&
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
    const char *format = NULL, *page = NULL, *scale = NULL, *sensor = NULL, *distance = NULL;
    const struct option_spec table[] = {
        {"format", OPTION_TEXT, &format, "FORM", "text (default) or json, one object a session", 0, 0},
        {"page", OPTION_TEXT, &page, "FILE", "also write one self-contained HTML page; one session only", 0,
         0},
        {"scale", OPTION_TEXT, &scale, "LENGTH=PX",
         "a focus aid of LENGTH is PX long in the picture (120mm=333px): advice in cm", 0, 0},
        {"left", OPTION_TEXT, &options.left, "THING", "what stands at the left, for the advice", 0, 0},
        {"right", OPTION_TEXT, &options.right, "THING", "what stands at the right", 0, 0},
        {"sensor", OPTION_TEXT, &sensor, "S", "four-thirds, aps-c, full-frame or WxH in mm", 0, 0},
        {"distance", OPTION_TEXT, &distance, "LENGTH",
         "of the plane of focus, where the Exif does not tell it", 0, 0},
    };
    const struct command_spec spec = {
        "chaffinch report",
        "SESSION... [--format text|json] [--page FILE] [--scale LENGTH=PX]\n"
        "       [--left THING] [--right THING] [--sensor S] [--distance LENGTH]",
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
    if (read_format(format, &options, &err) && read_scale(scale, &options, &err) &&
        read_sensor(sensor, &options, &err) && distance != NULL)
        (void)field_read_length("--distance", distance, 1000, false, &options.distance_mm, NULL, &err);
    if (err.code == ERR_NONE && page != NULL && arguments.n > 1)
        err_set(&err, ERR_USAGE, "--page goes with one session");
    return err.code != ERR_NONE ? cli_fail(cli, &err) : report_all(cli, &arguments, &options, page);
}
