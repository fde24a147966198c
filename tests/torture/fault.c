#include "fault.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "program.h"

#define C(call) (UINT32_C(1) << TAP_##call)
#define NAMES (C(OPEN) | C(CREATE) | C(STAT) | C(MKDIR) | C(RENAME) | C(LINK) | C(UNLINK))
#define CHANGES                                                                                              \
    (C(CREATE) | C(WRITE) | C(SYNC) | C(TIMES) | C(MODE) | C(MKDIR) | C(RENAME) | C(LINK) | C(UNLINK) |      \
     C(TRUNCATE))
#define ALL ((UINT32_C(1) << TAP_CALLS) - 1)
/* What POSIX lets a signal interrupt. */
#define SLOW (C(OPEN) | C(CREATE) | C(READ) | C(WRITE) | C(SYNC) | C(LOCK) | C(CLOSE))

/* More than any loop that tries again may take for an endless one. */
enum { STORM = 25 };

const struct fault_kind fault_kinds[] = {
    {"EIO once", FAULT_ERRNO, EIO, false, ALL & ~C(ADVISE), NULL},
    {"EIO for good", FAULT_ERRNO, EIO, true, ALL & ~C(ADVISE), NULL},
    {"ENOSPC once", FAULT_ERRNO, ENOSPC, false, CHANGES & ~(C(UNLINK) | C(TIMES) | C(MODE) | C(TRUNCATE)),
     NULL},
    {"ENOSPC for good", FAULT_ERRNO, ENOSPC, true, CHANGES & ~(C(UNLINK) | C(TIMES) | C(MODE) | C(TRUNCATE)),
     NULL},
    {"EACCES once", FAULT_ERRNO, EACCES, false, NAMES | C(MODE), NULL},
    {"EACCES for good", FAULT_ERRNO, EACCES, true, NAMES | C(MODE), NULL},
    {"EINTR once", FAULT_ERRNO, EINTR, false, SLOW, NULL},
    {"EINTR in a row", FAULT_ERRNO, EINTR, true, SLOW, NULL},
    {"short once", FAULT_SHORT, 0, false, C(READ) | C(WRITE), NULL},
    {"short for good", FAULT_SHORT, 0, true, C(READ) | C(WRITE), NULL},
    {"failed fsync once", FAULT_ERRNO, EIO, false, C(SYNC), NULL},
    {"failed fsync for good", FAULT_ERRNO, EIO, true, C(SYNC), NULL},
    {"EXDEV once", FAULT_ERRNO, EXDEV, false, C(RENAME) | C(LINK), NULL},
    {"EXDEV for good", FAULT_ERRNO, EXDEV, true, C(RENAME) | C(LINK), NULL},
    {"ENOENT once", FAULT_ERRNO, ENOENT, false, C(OPEN) | C(STAT), "/card"},
    {"card pulled out", FAULT_ERRNO, ENOENT, true, ALL & ~C(CLOSE), "/card"},
    {"disk pulled out", FAULT_ERRNO, ENOENT, true, ALL & ~C(CLOSE), "/session"},
    {"card fails", FAULT_ERRNO, EIO, true, ALL & ~C(CLOSE), "/card"},
    {"SIGKILL", FAULT_KILL, SIGKILL, false, CHANGES, NULL},
    {"SIGINT", FAULT_SIGNAL, SIGINT, false, ALL, NULL},
    {"SIGTERM", FAULT_SIGNAL, SIGTERM, false, ALL, NULL},
};
const int fault_n_kinds = sizeof fault_kinds / sizeof fault_kinds[0];

struct armed {
    const struct fault_kind *kind;
    long at;
    struct fault_met met;
};

/* Shared with the run, so that its parent reads what happened. */
static struct armed *armed(void)
{
    static struct armed *page;
    if (page == NULL)
        page = program_shared(sizeof *page);
    return page;
}

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER; /* copy has a thread that verifies */

void fault_arm(const struct fault_kind *kind, long at)
{
    *armed() = (struct armed){.kind = kind, .at = at};
}

const struct fault_met *fault_met(void)
{
    return &armed()->met;
}

static bool concerns(const struct fault_kind *kind, const struct tap_event *event)
{
    char path[4096];
    if ((kind->calls >> event->call & 1) == 0)
        return false;
    if (kind->below == NULL)
        return true;
    tap_path(event, path, sizeof path);
    const char *at = strstr(path, kind->below);
    return at != NULL && (at[strlen(kind->below)] == '/' || at[strlen(kind->below)] == '\0');
}

/* Which call failed first, and which files any failed on. */
static void note(struct fault_met *met, const struct tap_event *event)
{
    char path[4096];
    size_t used = strlen(met->leaves);
    tap_path(event, path, sizeof path);
    met->sqlite = met->sqlite || event->sqlite;
    if (!met->tripped) {
        met->tripped = true;
        met->call = event->call;
        memcpy(met->path, path, sizeof path);
    }
    const char *slash = strrchr(path, '/');
    char line[300];
    (void)snprintf(line, sizeof line, "%.255s\n", slash != NULL ? slash + 1 : path);
    const char *seen = strstr(met->leaves, line);
    bool known = seen != NULL && (seen == met->leaves || seen[-1] == '\n');
    if (!known && used + strlen(line) < sizeof met->leaves)
        memcpy(met->leaves + used, line, strlen(line) + 1);
}

static bool counts(const struct tap_event *event)
{
    struct armed *a = armed();
    if (a->at == 0 || !concerns(a->kind, event))
        return false;
    long n = ++a->met.calls;
    if (n != a->at && !(a->kind->lasting && n > a->at))
        return false;
    if (a->kind->number == EINTR && n >= a->at + STORM)
        return false;
    note(&a->met, event);
    return true;
}

static int fault_before(const struct tap_event *event)
{
    (void)pthread_mutex_lock(&lock);
    bool trips = counts(event);
    (void)pthread_mutex_unlock(&lock);
    if (!trips)
        return TAP_PASS;
    const struct fault_kind *kind = armed()->kind;
    if (kind->way == FAULT_KILL || kind->way == FAULT_SIGNAL) {
        (void)kill(getpid(), kind->number);
        return TAP_PASS;
    }
    return kind->way == FAULT_SHORT ? TAP_SHORT : kind->number;
}

const struct tap_hooks fault_hooks = {.before = fault_before};
