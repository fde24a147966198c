/*
 * child.h - what runs in the spawner and in the workers. None of these returns.
 */
#ifndef WORKER_CHILD_H
#define WORKER_CHILD_H

#include <sys/types.h>

#include "wire.h"

/* Serves WIRE_REPLACE on `control` until it closes, then ends all workers. */
__attribute__((noreturn)) void spawner_run(int control, const struct worker_config *config, pid_t parent);
/* Serves jobs on `fd` until it closes. */
__attribute__((noreturn)) void child_run(int fd, const struct worker_config *config, pid_t spawner);

/* Dies with `parent`, also if that is gone already. */
void child_die_with(pid_t parent);
/* Limits this process for good, as far as the system allows; tells what holds (enum wire_limits). */
unsigned limits_apply(const struct worker_config *config);
/* Allows `wall_s` more seconds of processor time. */
void limits_allow_job(unsigned wall_s);
/* "memory 2 GiB, 30 s, seccomp" */
void limits_describe(char *text, size_t room, const struct worker_config *config, unsigned limits);
/* "2 GiB", "256 MiB" */
void limits_describe_memory(char *text, size_t room, uint64_t bytes);

#endif
