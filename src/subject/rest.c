/*
 * rest.c - a subject that rests all the while another moves. It is part of the background, so only its own
 * small movements tell it. Glitter and leaves flicker too, but in many places: a resting animal is the one
 * place that most of the flicker is in.
 */
#include "scene.h"

#include <stdlib.h>

static const float MOST = 0.6f;     /* of all that flickers */
static const float LARGEST = 0.06f; /* of the frame */

/* Marks what the regions cover, two cells around included. */
static void cover(const struct scene *scene, const struct subject_burst *found, uint8_t *covered)
{
    for (size_t t = 0; t < scene->n; t++) {
        const struct subject_frame *frame = &found->frame[scene->index[t]];
        for (size_t k = 0; k < frame->n_regions; k++) {
            const struct subject_region *region = &frame->region[k];
            uint32_t c0 = region->col > 2 ? region->col - 2 : 0, c1 = region->col + region->cols + 2;
            uint32_t r0 = region->row > 2 ? region->row - 2 : 0, r1 = region->row + region->rows + 2;
            for (uint32_t r = r0; r < r1 && r < scene->rows; r++)
                for (uint32_t c = c0; c < c1 && c < scene->cols; c++)
                    covered[t * scene->cells + (size_t)r * scene->cols + c] = 1;
        }
    }
}

/* Whatever its head does, it rests. */
static void lay_down(struct subject_burst *found, uint32_t pass)
{
    for (size_t t = 0; t < found->n; t++)
        for (size_t k = 0; k < found->frame[t].n_regions; k++)
            if (found->frame[t].region[k].pass == pass)
                found->frame[t].region[k].flying = false;
}

bool rest_find(struct scene *scene, struct subject_burst *found, struct err *err)
{
    uint8_t *covered = calloc(scene->n, scene->cells);
    struct still still = {0};
    if (covered == NULL)
        return err_nomem(err);
    cover(scene, found, covered);
    scene->covered = covered;
    bool done = found->n_passes >= SUBJECT_MAX_PASSES || still_find_flicker(scene, &still, err);
    bool rests = still.any && still.share >= MOST && still.area < LARGEST * (float)scene->cells;
    if (done && rests) {
        done = still_fill(scene, &still, err) && still_regions(scene, &still, found, err);
        lay_down(found, found->n_passes);
    }
    scene->covered = NULL;
    still_release(&still);
    free(covered);
    return done;
}
