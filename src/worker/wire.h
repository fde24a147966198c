/*
 * wire.h - messages between the parent, the spawner and the workers, over socket pairs.
 *
 * A message is a header and `size` bytes; descriptors travel with the header. Both ends are the same program,
 * so there is no byte order to agree on. But a worker may have been taken over by the bytes it parses: the
 * parent checks all that comes from one, takes no descriptors from it and never waits for it without a time
 * limit.
 */
#ifndef WORKER_WIRE_H
#define WORKER_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chaffinch/worker.h"

enum wire_what {
    WIRE_JOB = 0x4A4F4231, /* parent to worker; `kind` is the caller's, bytes are the request */
    WIRE_HELLO,            /* worker to parent: ready; `kind` holds enum wire_limits */
    WIRE_ANSWER,           /* the bytes that the handler made */
    WIRE_FAILED,           /* the cause as text */
    WIRE_REPLACE,          /* parent to spawner: end worker number `kind` and start another */
    WIRE_STARTED,          /* spawner to parent: bytes are a struct wire_started, one descriptor */
};

enum wire_limits { WIRE_HAS_MEMORY_LIMIT = 1 << 0, WIRE_HAS_SECCOMP = 1 << 1 };

enum { WIRE_REQUEST_MAX = 64 << 20, WIRE_ANSWER_MAX = 256 << 20 };

struct wire_header {
    uint32_t what, kind;
    uint64_t size;
};

/* How the worker that was replaced had ended. */
struct wire_started {
    int32_t status;      /* of waitpid; -1 if there was none */
    int32_t failed;      /* errno when no new worker could be started: then no descriptor comes */
    uint64_t peak_bytes; /* of memory */
};

/* A socket pair, closed on exec, out of the way of the standard three. False with errno. */
bool wire_pair(int pair[2]);
/* Sends it all. False with errno: EPIPE when the other end is gone, EAGAIN after the socket's time limit. */
bool wire_send(int fd, const struct wire_header *header, const void *bytes, const int *fds, size_t n_fds);
/* Receives exactly `size` bytes; false at the end or on an error. */
bool wire_receive(int fd, void *bytes, size_t size);
/* Receives a header and the descriptors that come with it, closed on exec. */
bool wire_receive_header(int fd, struct wire_header *header, int fds[WORKER_MAX_FDS], size_t *n_fds);
/* Closes and empties an array of descriptors. */
void wire_close_all(int *fds, size_t *n_fds);

#endif
