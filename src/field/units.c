/* Units as people write them, in and out. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/field.h"
#include "number.h"

#define INCH_MM 25.4 /* exactly, since 1959 */
#define FOOT_MM 304.8

enum { MAX_DIGITS = 24 };

bool number_read(const char **p, double *value)
{
    char digits[MAX_DIGITS + 1];
    size_t n = strspn(*p, "0123456789.");
    bool has_digit = strcspn(*p, "0123456789") < n;
    if (!has_digit || n > MAX_DIGITS)
        return false;
    memcpy(digits, *p, n);
    digits[n] = '\0';
    if (strchr(digits, '.') != strrchr(digits, '.'))
        return false;
    *value = strtod(digits, NULL);
    *p += n;
    return true;
}

struct unit {
    const char *name;
    double factor;
    bool feet;
};

static const struct unit lengths[] = {
    {"mm", 1, false},           {"cm", 10, false},         {"m", 1e3, false},
    {"km", 1e6, false},         {"um", 1e-3, false},       {"\xc2\xb5m", 1e-3, false}, /* micro sign */
    {"\xce\xbcm", 1e-3, false},                                                        /* Greek mu */
    {"in", INCH_MM, true},      {"\"", INCH_MM, true},     {"ft", FOOT_MM, true},
    {"'", FOOT_MM, true},       {"yd", 3 * FOOT_MM, true}, {NULL, 0, false},
};
static const struct unit speeds[] = {
    {"m/s", 1, false},
    {"km/h", 1 / 3.6, false},
    {"kmh", 1 / 3.6, false},
    {"kph", 1 / 3.6, false},
    {"mph", 1609.344 / 3600, false},
    {"ft/s", FOOT_MM / 1000, false},
    {"kn", 1852.0 / 3600, false},
    {"kt", 1852.0 / 3600, false},
    {"mps", 1, false},
    {NULL, 0, false},
};
static const struct unit times[] = {
    {"s", 1, false},
    {"ms", 1e-3, false},
    {"us", 1e-6, false},
    {"\xc2\xb5s", 1e-6, false},
    {"\xce\xbcs", 1e-6, false},
    {"min", 60, false},
    {NULL, 0, false},
};
static const struct unit sizes[] = {
    {"B", 1, false},     {"kB", 1e3, false},      {"MB", 1e6, false},         {"GB", 1e9, false},
    {"TB", 1e12, false}, {"MiB", 1048576, false}, {"GiB", 1073741824, false}, {"TiB", 1099511627776, false},
    {NULL, 0, false},
};
static const struct unit angles[] = {{"deg", 1, false}, {"\xc2\xb0", 1, false}, {NULL, 0, false}};
/* Shares are marked by the unit's place in the table: see field_read_blur. */
static const struct unit blurs[] = {{"mm", 1, false}, {"um", 1e-3, false}, {"\xc2\xb5m", 1e-3, false},
                                    {"px", 1, false}, {"%", 0.01, false},  {NULL, 0, false}};

static void skip_spaces(const char **p)
{
    while (**p == ' ')
        (*p)++;
}

/* A number and its unit; *p moves over both. *found = NULL for a bare number, which must end the text. */
static bool read_scaled(const char **p, const struct unit *units, double bare, double *value,
                        const struct unit **found)
{
    const struct unit *best = NULL;
    skip_spaces(p);
    if (!number_read(p, value))
        return false;
    skip_spaces(p);
    for (const struct unit *u = units; u->name != NULL; u++)
        if (strncmp(*p, u->name, strlen(u->name)) == 0 &&
            (best == NULL || strlen(u->name) > strlen(best->name)))
            best = u;
    if (best == NULL && **p != '\0')
        return false;
    *value *= best != NULL ? best->factor : bare;
    *p += best != NULL ? strlen(best->name) : 0;
    *found = best;
    skip_spaces(p);
    return true;
}

static bool read_all(const char *text, const struct unit *units, double bare, double *value)
{
    const char *p = text;
    const struct unit *found;
    double v;
    if (!read_scaled(&p, units, bare, &v, &found) || *p != '\0')
        return false;
    *value = v;
    return true;
}

static bool refuse(struct err *err, const char *option, const char *takes, const char *text)
{
    char safe[100];
    return err_set(err, ERR_USAGE, "%s takes %s, not '%s'", option, takes,
                   err_escape(safe, sizeof safe, text));
}

/* Feet may be followed by inches, "16ft 5in"; nothing else may follow anything. */
static bool read_feet_and_inches(const char *text, double bare_mm, double *mm, bool *feet)
{
    const char *p = text;
    const struct unit *unit, *second;
    double inches;
    if (!read_scaled(&p, lengths, bare_mm, mm, &unit))
        return false;
    *feet = unit != NULL && unit->feet;
    if (*p == '\0')
        return true;
    if (unit->factor != FOOT_MM || !read_scaled(&p, lengths, INCH_MM, &inches, &second) ||
        (second != NULL && second->factor != INCH_MM) || *p != '\0' || inches >= FOOT_MM)
        return false;
    *mm += inches;
    return true;
}

bool field_read_length(const char *option, const char *text, double bare_mm, bool allow_infinity, double *mm,
                       bool *feet, struct err *err)
{
    double v;
    bool in_feet = false;
    if (allow_infinity && (strcmp(text, "inf") == 0 || strcmp(text, "infinity") == 0))
        v = (double)INFINITY;
    else if (!read_feet_and_inches(text, bare_mm, &v, &in_feet))
        return refuse(err, option,
                      bare_mm > 1 ? "a length such as 5m, 500cm or 16ft" : "a length such as 300mm", text);
    *mm = v;
    if (feet != NULL)
        *feet = in_feet;
    return true;
}

bool field_read_speed(const char *option, const char *text, double *mps, struct err *err)
{
    return read_all(text, speeds, 1, mps) ||
           refuse(err, option, "a speed such as 8m/s, 30km/h or 18mph", text);
}

bool field_read_time(const char *option, const char *text, double *seconds, struct err *err)
{
    const char *p = text;
    double v, above = 1;
    const char *slash = strchr(text, '/');
    bool ok = true;
    if (slash != NULL) {
        ok = number_read(&p, &above) && p == slash;
        p = slash + 1;
        /* 1/3200s: the unit belongs to the whole, so only seconds may follow. */
        ok = ok && number_read(&p, &v) && v > 0;
        skip_spaces(&p);
        ok = ok && (*p == '\0' || strcmp(p, "s") == 0);
        v = ok ? above / v : 0;
    } else
        ok = read_all(text, times, 1, &v);
    if (!ok)
        return refuse(err, option, "a time such as 1/3200, 0.5s or 2ms", text);
    *seconds = v;
    return true;
}

bool field_read_aperture(const char *option, const char *text, double *f_number, struct err *err)
{
    const char *p = text;
    double v;
    if (*p == 'f' || *p == 'F')
        p += p[1] == '/' ? 2 : 1;
    if (!number_read(&p, &v) || *p != '\0')
        return refuse(err, option, "an f-number such as 4 or f/5.6", text);
    *f_number = v;
    return true;
}

bool field_read_angle(const char *option, const char *text, double *degrees, struct err *err)
{
    return read_all(text, angles, 1, degrees) || refuse(err, option, "an angle such as 30 or 30deg", text);
}

bool field_read_bytes(const char *option, const char *text, double bare_bytes, double *bytes, struct err *err)
{
    return read_all(text, sizes, bare_bytes, bytes) ||
           refuse(err, option, "a size such as 64GB, 20MB or 512MiB", text);
}

bool field_read_blur(const char *option, const char *text, enum field_blur_unit bare, double *value,
                     enum field_blur_unit *unit, struct err *err)
{
    const char *p = text;
    const struct unit *found;
    double v;
    if (!read_scaled(&p, blurs, bare == FIELD_BLUR_SHARE ? 0.01 : 1, &v, &found) || *p != '\0')
        return refuse(err, option, "a blur such as 0.015mm, 2px or 10%", text);
    *value = v;
    *unit = found == NULL         ? bare
            : *found->name == 'p' ? FIELD_BLUR_PX
            : *found->name == '%' ? FIELD_BLUR_SHARE
                                  : FIELD_BLUR_MM;
    return true;
}

bool field_read_pixels(const char *option, const char *text, double *width_px, struct err *err)
{
    const char *p = text;
    double w, h = 100;
    bool ok = number_read(&p, &w);
    if (ok && (*p == 'x' || *p == 'X')) {
        p++;
        ok = number_read(&p, &h);
    }
    if (!ok || (*p != '\0' && strcmp(p, "px") != 0) || w < 100 || w > 100000 || h < 100 || w != floor(w) ||
        h != floor(h))
        return refuse(err, option, "a width in px from 100 to 100000, or both sides such as 5184x3888", text);
    *width_px = w;
    return true;
}

/* ---- printing ---- */

static void in_feet_text(char out[FIELD_TEXT_SIZE], double mm)
{
    double inches = mm / INCH_MM;
    double tenths = round(inches * 10);
    if (tenths < 120)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.3g in", inches);
    else if (tenths >= 12000)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.*f ft", inches < 12000 ? 1 : 0, inches / 12);
    else if (fmod(tenths, 120) == 0)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.0f ft", tenths / 120);
    else
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.0f ft %g in", floor(tenths / 120), fmod(tenths, 120) / 10);
}

char *field_length_text(char out[FIELD_TEXT_SIZE], double mm, bool feet)
{
    if (isinf(mm))
        (void)snprintf(out, FIELD_TEXT_SIZE, "infinity");
    else if (feet)
        in_feet_text(out, mm);
    else if (mm < 999.95)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.4g mm", mm);
    else if (mm < 9999.5e3)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.4g m", mm / 1e3);
    else
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.4g km", mm / 1e6);
    return out;
}

char *field_exposure_text(char out[FIELD_TEXT_SIZE], double seconds)
{
    double n = 1 / seconds;
    if (seconds > 0 && (n > 10 || (n > 1.5 && fabs(n - round(n)) < 0.01)))
        (void)snprintf(out, FIELD_TEXT_SIZE, "1/%.0f s", n);
    else
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.3g s", seconds);
    return out;
}

char *field_duration_text(char out[FIELD_TEXT_SIZE], double seconds)
{
    if (isinf(seconds))
        (void)snprintf(out, FIELD_TEXT_SIZE, "without end");
    else if (seconds < 0.9995)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.3g ms", seconds * 1e3);
    else if (seconds < 119.5)
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.3g s", seconds);
    else
        (void)snprintf(out, FIELD_TEXT_SIZE, "%.*f min", seconds < 600 ? 1 : 0, seconds / 60);
    return out;
}
