#ifndef BENCH_ENGINE_H
#define BENCH_ENGINE_H
#include "marks.h"

/* Finds, scores and chooses, as the pipeline does, and judges that. `detail`: also a line a frame on stdout.
 * Ends the program when the engine fails. */
void engine_judge(const struct bench_burst *b, bool detail, struct marks *marks);

#endif
