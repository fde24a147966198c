/* Sensors by name or size. A circle of confusion belongs to a size of picture looked at from a usual
 * distance: .030 mm on 36 x 24 mm, divided by the crop factor (i-learn-photography.com has the rule and .020
 * for APS-C; fourelementsinthreegroups.blogspot .030 and .015). The pitches are those of common bodies of 20
 * to 24 megapixels, and every answer that rests on one says that it was assumed. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chaffinch/field.h"
#include "number.h"

#define FULL_FRAME_COC_MM 0.030
/* A circle of confusion this close to a convention, as a ratio, means that sensor: 1/30 mm and 1/1500 of the
   diagonal are both full frame. */
#define COC_AGREES 1.12

static const struct field_sensor sensors[] = {
    {"four-thirds", 17.3, 13.0, 0.015, 0.00332},
    {"aps-c", 23.5, 15.6, 0.020, 0.00392},
    {"full-frame", 36.0, 24.0, FULL_FRAME_COC_MM, 0.00600},
};
enum { N_SENSORS = sizeof sensors / sizeof *sensors, FULL_FRAME = N_SENSORS - 1 };

const char *field_sensor_name(size_t i)
{
    return i < N_SENSORS ? sensors[i].name : NULL;
}

struct field_sensor field_sensor_of_coc(double coc_mm)
{
    for (size_t i = 0; i < N_SENSORS; i++)
        if (coc_mm < sensors[i].coc_mm * COC_AGREES && coc_mm > sensors[i].coc_mm / COC_AGREES)
            return sensors[i];
    return sensors[FULL_FRAME];
}

bool field_sensor_of_crop(double focal_mm, double focal_35mm, double width_px, double height_px,
                          struct field_sensor *sensor)
{
    const double crop_agrees = .035, shape_agrees = .02;
    double crop = focal_35mm / focal_mm, shape = fmax(width_px, height_px) / fmin(width_px, height_px);
    double film = hypot(sensors[FULL_FRAME].width_mm, sensors[FULL_FRAME].height_mm);
    if (!(crop > .2 && crop < 20 && shape >= 1 && shape < 5))
        return false;
    for (size_t i = 0; i < N_SENSORS; i++)
        if (fabs(film / hypot(sensors[i].width_mm, sensors[i].height_mm) / crop - 1) < crop_agrees &&
            fabs(sensors[i].width_mm / sensors[i].height_mm / shape - 1) < shape_agrees) {
            *sensor = sensors[i];
            return true;
        }
    double height = film / crop / hypot(shape, 1);
    *sensor = (struct field_sensor){
        .width_mm = height * shape, .height_mm = height, .coc_mm = FULL_FRAME_COC_MM / crop, .pitch_mm = NAN};
    (void)snprintf(sensor->name, sizeof sensor->name, "%.3gx%.3g", sensor->width_mm, sensor->height_mm);
    return true;
}

static bool read_size(const char *text, double *width, double *height)
{
    const char *p = text;
    if (!number_read(&p, width) || (*p != 'x' && *p != 'X'))
        return false;
    p++;
    return number_read(&p, height) && (*p == '\0' || strcmp(p, "mm") == 0);
}

bool field_read_sensor(const char *option, const char *text, struct field_sensor *sensor, struct err *err)
{
    const struct field_sensor *full = &sensors[FULL_FRAME];
    char safe[100];
    double w, h;
    for (size_t i = 0; i < N_SENSORS; i++)
        if (strcmp(text, sensors[i].name) == 0) {
            *sensor = sensors[i];
            return true;
        }
    if (!read_size(text, &w, &h) || w < 1 || h < 1 || w > 200 || h > 200)
        return err_set(err, ERR_USAGE,
                       "%s takes four-thirds, aps-c, full-frame or a size in mm such as 17.3x13, not '%s'",
                       option, err_escape(safe, sizeof safe, text));
    *sensor = (struct field_sensor){.width_mm = w, .height_mm = h, .pitch_mm = NAN};
    (void)snprintf(sensor->name, sizeof sensor->name, "%.4gx%.4g", w, h);
    sensor->coc_mm = FULL_FRAME_COC_MM * hypot(w, h) / hypot(full->width_mm, full->height_mm);
    return true;
}
