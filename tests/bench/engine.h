#ifndef BENCH_ENGINE_H
#define BENCH_ENGINE_H
#include "marks.h"

/* The background of the burst before, to tell camera positions apart. */
struct setup {
    float *background; /* owned; NULL at first and where none was made */
    uint32_t cols, rows;
    float noise;
};

enum engine_decodes {
    ENGINE_WHOLE,
    ENGINE_PARTS, /* frames around their subject only */
    ENGINE_FAST   /* and not all of them; what that does to the top frames is counted */
};

/* Finds, scores and chooses, as the pipeline does, and judges that; also whether the engine takes the burst
 * for one of the same camera position as `before` (where there is one), which `same` knows. *before becomes
 * this one. `detail`: a line a frame on stdout. `decodes`: what it decodes (partial.h). Ends the program when
 * the engine fails. */
void engine_judge(const struct bench_burst *b, double exposure_s, bool detail, enum engine_decodes decodes,
                  bool same, struct setup *before, struct marks *marks);

#endif
