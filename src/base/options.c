#include "chaffinch/options.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct option_spec *find_option(const struct command_spec *spec, const char *name, size_t size)
{
    for (size_t i = 0; i < spec->n_options; i++)
        if (strlen(spec->options[i].name) == size && memcmp(spec->options[i].name, name, size) == 0)
            return &spec->options[i];
    return NULL;
}

/* A number with an optional unit out of `units` (name, factor pairs); the first pair's factor is the default.
 */
struct unit {
    const char *name;
    double factor;
};

static bool parse_scaled(const char *text, const struct unit *units, size_t n_units, double *value)
{
    char *end;
    double v = strtod(text, &end);
    if (end == text || !isfinite(v))
        return false;
    if (*end == '\0') {
        *value = v * units[0].factor;
        return true;
    }
    for (size_t i = 0; i < n_units; i++) {
        if (strcmp(end, units[i].name) == 0) {
            *value = v * units[i].factor;
            return true;
        }
    }
    return false;
}

/* "--" before a name, "-" before one that is a single letter. */
static const char *dashes(const struct option_spec *o)
{
    return o->name[1] == '\0' ? "-" : "--";
}

static bool out_of_range(const struct option_spec *o, const char *text, const char *unit, struct err *err)
{
    char safe[200];
    return err_set(err, ERR_USAGE, "%s%s takes a value from %g to %g%s, not '%s'", dashes(o), o->name, o->min,
                   o->max, unit, err_escape(safe, sizeof safe, text));
}

static bool add_text(const struct option_spec *o, const char *text, struct err *err)
{
    struct option_texts *texts = o->target;
    if (texts->n == OPTION_TEXTS_MAX)
        return err_set(err, ERR_USAGE, "%s%s may be given %d times", dashes(o), o->name, OPTION_TEXTS_MAX);
    texts->text[texts->n++] = text;
    return true;
}

static bool set_value(const struct option_spec *o, const char *text, struct err *err)
{
    static const struct unit plain[] = {{"", 1}};
    static const struct unit seconds[] = {{"s", 1}, {"ms", 1e-3}, {"min", 60}};
    static const struct unit days[] = {{"d", 1}, {"h", 1.0 / 24}, {"s", 1.0 / 86400}};
    double v = 0;
    switch (o->type) {
    case OPTION_TEXT:
        *(const char **)o->target = text;
        return true;
    case OPTION_TEXTS:
        return add_text(o, text, err);
    case OPTION_COUNT:
        if (!parse_scaled(text, plain, 1, &v) || v < o->min || v > o->max || v != floor(v))
            return out_of_range(o, text, "", err);
        *(uint32_t *)o->target = (uint32_t)v;
        return true;
    case OPTION_NUMBER:
        if (!parse_scaled(text, plain, 1, &v) || v < o->min || v > o->max)
            return out_of_range(o, text, "", err);
        *(double *)o->target = v;
        return true;
    case OPTION_SECONDS:
        if (!parse_scaled(text, seconds, 3, &v) || v < o->min || v > o->max)
            return out_of_range(o, text, " s", err);
        *(int64_t *)o->target = llround(v * 1e9);
        return true;
    case OPTION_DAYS:
        if (!parse_scaled(text, days, 3, &v) || v < o->min || v > o->max)
            return out_of_range(o, text, " d", err);
        *(int64_t *)o->target = llround(v * 86400);
        return true;
    case OPTION_FLAG:
        break;
    }
    return err_set(err, ERR_USAGE, "%s%s takes no value", dashes(o), o->name);
}

/* Handles argv[*at] (an option) and moves *at over a value that stands by itself. */
static bool take_option(const struct command_spec *spec, int argc, char **argv, int *at, bool *help,
                        struct err *err)
{
    char safe[200];
    bool is_long = argv[*at][1] == '-';
    const char *name = argv[*at] + (is_long ? 2 : 1);
    size_t size = is_long ? strcspn(name, "=") : strlen(name);
    const char *value = name[size] == '=' ? name + size + 1 : NULL;
    if (is_long && strcmp(name, "help") == 0) {
        *help = true;
        return true;
    }
    const struct option_spec *o = (size == 1) == !is_long ? find_option(spec, name, size) : NULL;
    if (o == NULL && !is_long)
        return err_set(err, ERR_USAGE,
                       "unknown option '%s': '%s --help' lists them (a name that starts with a dash goes "
                       "after '--')",
                       err_escape(safe, sizeof safe, argv[*at]), spec->name);
    if (o == NULL)
        return err_set(err, ERR_USAGE, "unknown option '%s': '%s --help' lists them",
                       err_escape(safe, sizeof safe, argv[*at]), spec->name);
    if (o->type == OPTION_FLAG && value == NULL) {
        *(bool *)o->target = true;
        return true;
    }
    if (value == NULL && *at + 1 < argc)
        value = argv[++*at];
    if (value == NULL)
        return err_set(err, ERR_USAGE, "%s%s needs a value (%s)", dashes(o), o->name, o->value);
    return set_value(o, value, err);
}

bool options_parse(const struct command_spec *spec, int argc, char **argv,
                   struct options_arguments *arguments, struct err *err)
{
    bool ended = false;
    char safe[200];
    *arguments = (struct options_arguments){.arg = argv};
    for (int i = 0; i < argc; i++) {
        char *word = argv[i];
        if (!ended && strcmp(word, "--") == 0)
            ended = true;
        else if (!ended && strcmp(word, "-h") == 0)
            arguments->help = true;
        else if (!ended && word[0] == '-' && word[1] != '\0') {
            if (!take_option(spec, argc, argv, &i, &arguments->help, err))
                return false;
        } else
            argv[arguments->n++] = word;
    }
    if (arguments->help)
        return true;
    if (arguments->n < spec->min_args)
        return err_set(err, ERR_USAGE, "too few arguments: %s %s", spec->name, spec->synopsis);
    if (arguments->n > spec->max_args)
        return err_set(err, ERR_USAGE, "too many arguments at '%s': %s %s",
                       err_escape(safe, sizeof safe, argv[spec->max_args]), spec->name, spec->synopsis);
    return true;
}

void options_help(FILE *out, const struct command_spec *spec)
{
    (void)fprintf(out, "usage: %s %s\n\n%s\n", spec->name, spec->synopsis, spec->purpose);
    (void)fputs("\noptions:\n", out);
    for (size_t i = 0; i < spec->n_options; i++) {
        const struct option_spec *o = &spec->options[i];
        char left[64];
        (void)snprintf(left, sizeof left, "%s%s%s%s", dashes(o), o->name, o->value != NULL ? " " : "",
                       o->value != NULL ? o->value : "");
        (void)fprintf(out, "  %-20s %s\n", left, o->help);
    }
    (void)fprintf(out, "  %-20s %s\n", "--help", "this text");
}
