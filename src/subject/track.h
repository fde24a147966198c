/* track.h - what the two files about tracks share. */
#ifndef SUBJECT_TRACK_H
#define SUBJECT_TRACK_H

#include "scene.h"

/* The component of a track in frame t; NULL where it has none. */
const struct component *track_component(const struct layer *layer, const struct track *track, size_t t);
/* Square root of the area, cells. */
float component_size(const struct component *c);
float component_distance(const struct scene *scene, size_t t, const struct component *a, size_t u,
                         const struct component *b);

/* Cuts tracks where one subject went out of the picture as another came in. False with ERR_NOMEM. */
bool tracks_split(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                  struct err *err);
/* Joins pieces of one way that something hid for a moment. */
void tracks_join(const struct scene *scene, const struct layer *layer, struct tracks *tracks);
/* Goes on at either end of a track to what is there where its way leads, too little to be a track itself. */
void track_follow_way(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                      size_t which);
/* Follows a subject that landed, or had not yet started, while it stays where it is. */
void track_follow_rest(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                       size_t which);
/* Drops what is no subject. */
bool tracks_prune(const struct scene *scene, const struct layer *layer, struct tracks *tracks,
                  struct err *err);
/* Raises the limits of cells whose scenery is restless. *changed = true when any was raised. */
bool scene_allow_unrest(struct scene *scene, const struct layer *layer, const struct tracks *tracks,
                        bool *changed, struct err *err);
/* Orders by first frame and keeps the strongest SUBJECT_MAX_PASSES. */
void tracks_sort(struct tracks *tracks);

#endif
