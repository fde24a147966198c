#include "lens.h"
#include <math.h>

float lens_scale_px(const struct lens *l, float distance_mm)
{
    float image_mm = l->focal_mm * l->focus_mm / (l->focus_mm - l->focal_mm);
    return image_mm / (distance_mm * l->pitch_mm);
}

float lens_disc_px(const struct lens *l, float distance_mm)
{
    float m = l->focal_mm / (l->focus_mm - l->focal_mm);
    return l->focal_mm * m / l->fnumber * fabsf(distance_mm - l->focus_mm) / distance_mm / l->pitch_mm;
}

float lens_sigma_px(float disc_px, float line_px)
{
    float base = LENS_BASE_SIGMA_PX;
    return sqrtf(base * base + disc_px * disc_px / 16.0f + line_px * line_px / 24.0f);
}
