#ifndef BENCH_ENGINE_H
#define BENCH_ENGINE_H
#include "marks.h"

/* The background of the burst before, to tell camera positions apart. */
struct setup {
    float *background; /* owned; NULL at first and where none was made */
    uint32_t cols, rows;
    float noise;
};

/* Finds, scores and chooses, as the pipeline does, and judges that; also whether the engine takes the burst
 * for one of the same camera position as `before` (where there is one), which `same` knows. *before becomes
 * this one. `detail`: a line a frame on stdout. `parts`: frames decoded around their subject only
 * (partial.h). Ends the program when the engine fails. */
void engine_judge(const struct bench_burst *b, double exposure_s, bool detail, bool parts, bool same,
                  struct setup *before, struct marks *marks);

#endif
