/* The formulas, one function each. The header names where they come from. */
#include <math.h>

#include "chaffinch/field.h"

static double reach(double f, double n, double c)
{
    return f * f / (n * c);
}

double field_hyperfocal_mm(double f, double n, double c)
{
    return reach(f, n, c) + f;
}

double field_near_mm(double f, double n, double c, double s)
{
    double h = reach(f, n, c);
    return s * h / (h + (s - f));
}

double field_far_mm(double f, double n, double c, double s)
{
    double h = reach(f, n, c);
    return s - f >= h ? (double)INFINITY : s * h / (h - (s - f));
}

double field_magnification(double f, double s)
{
    return f / (s - f);
}

double field_blur_mm(double f, double n, double s, double d)
{
    double most = f * field_magnification(f, s) / n;
    return isinf(d) ? most : most * fabs(d - s) / d;
}

double field_blur_where_mm(double f, double n, double s, double b)
{
    double most = f * field_magnification(f, s) / n;
    return b >= most ? (double)INFINITY : s / (1 - b / most);
}

double field_airy_mm(double n)
{
    return 2.44 * FIELD_LIGHT_MM * n;
}

double field_motion_px(double across_mps, double seconds, double magnification, double pitch_mm)
{
    return across_mps * 1000 * seconds * magnification / pitch_mm;
}

double field_motion_time_s(double across_mps, double blur_px, double magnification, double pitch_mm)
{
    return blur_px * pitch_mm / (across_mps * 1000 * magnification);
}

double field_row_time_s(double readout_s, double rows)
{
    return readout_s / rows;
}
