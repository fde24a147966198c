/* edges.h - what the files about the outline's ends share. */
#ifndef SUBJECT_EDGES_H
#define SUBJECT_EDGES_H

#include "scene.h"

/* A side of a box: lines go inwards from `line` by `step`; cells of a line go from `from` to `to`. */
struct edge_side {
    bool upright; /* lines are columns */
    long line, step, from, to;
};

/* A mask over a frame, and what is behind it. */
struct edge_view {
    const struct scene *scene;
    const struct backdrop *backdrop;
    const uint8_t *full;
    size_t t;
};

/* Index of the k-th cell of a line, or SIZE_MAX outside of the frame. */
size_t edge_cell(const struct scene *scene, const struct edge_side *side, long line, long k);
/* Difference of a cell from what is behind it. */
float edge_difference(const struct edge_view *view, size_t i);
/* The subject's contrast there, as a part of the cell, or blurred, shows it; see edges.c. */
float edge_amplitude(const struct edge_view *view, size_t i, float difference);
/* Upper quartile of the differences over the mask. False when there is no memory. */
bool edge_contrast(const struct edge_view *view, const struct subject_region *region, float *contrast);

#endif
