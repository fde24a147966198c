#include "memory.h"

#include <errno.h>
#include <pthread.h>
#include <sqlite3.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <libexif/exif-data.h>
#include <libexif/exif-mem.h>

#include "program.h"

struct plan {
    enum memory_of of;
    long at, counted;
    bool lasting, failed;
    pid_t process;
};

static struct plan *plan(void)
{
    static struct plan *page;
    if (page == NULL)
        page = program_shared(sizeof *page);
    return page;
}

static struct plan *armed; /* NULL = all allocations pass */
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

static bool fails(enum memory_of of)
{
    if (armed == NULL || armed->of != of || getpid() != armed->process)
        return false;
    (void)pthread_mutex_lock(&lock);
    long n = ++armed->counted;
    bool now = armed->at > 0 && (n == armed->at || (armed->lasting && n > armed->at));
    armed->failed = armed->failed || now;
    (void)pthread_mutex_unlock(&lock);
    if (now)
        errno = ENOMEM;
    return now;
}

/* ---- the programs' own --------------------------------------------------------------------------------- */

void *__real_malloc(size_t size);
void *__wrap_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__real_realloc(void *at, size_t size);
void *__wrap_realloc(void *at, size_t size);
char *__real_strdup(const char *text);
char *__wrap_strdup(const char *text);
char *__real_strndup(const char *text, size_t size);
char *__wrap_strndup(const char *text, size_t size);
char *__real_realpath(const char *path, char *out);
char *__wrap_realpath(const char *path, char *out);

void *__wrap_malloc(size_t size)
{
    return fails(MEMORY_OWN) ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
    return fails(MEMORY_OWN) ? NULL : __real_calloc(n, size);
}

void *__wrap_realloc(void *at, size_t size)
{
    return fails(MEMORY_OWN) ? NULL : __real_realloc(at, size);
}

char *__wrap_strdup(const char *text)
{
    return fails(MEMORY_OWN) ? NULL : __real_strdup(text);
}

char *__wrap_strndup(const char *text, size_t size)
{
    return fails(MEMORY_OWN) ? NULL : __real_strndup(text, size);
}

char *__wrap_realpath(const char *path, char *out)
{
    return fails(MEMORY_OWN) ? NULL : __real_realpath(path, out);
}

/* ---- SQLite's ------------------------------------------------------------------------------------------ */

static sqlite3_mem_methods system_memory;

static void *sqlite_malloc(int size)
{
    return fails(MEMORY_SQLITE) ? NULL : system_memory.xMalloc(size);
}

static void *sqlite_realloc(void *at, int size)
{
    return fails(MEMORY_SQLITE) ? NULL : system_memory.xRealloc(at, size);
}

/* ---- libexif's ----------------------------------------------------------------------------------------- */

static void *exif_alloc(ExifLong size)
{
    return fails(MEMORY_EXIF) ? NULL : __real_calloc(1, size);
}

static void *exif_realloc(void *at, ExifLong size)
{
    return fails(MEMORY_EXIF) ? NULL : __real_realloc(at, size);
}

ExifData *__real_exif_data_new(void);
ExifData *__wrap_exif_data_new(void);

ExifData *__wrap_exif_data_new(void)
{
    if (armed == NULL || armed->of != MEMORY_EXIF)
        return __real_exif_data_new();
    ExifMem *mem = exif_mem_new(exif_alloc, exif_realloc, free);
    ExifData *data = mem != NULL ? exif_data_new_mem(mem) : NULL;
    if (mem != NULL)
        exif_mem_unref(mem);
    return data;
}

/* ---- arming -------------------------------------------------------------------------------------------- */

void memory_plan(enum memory_of of, long at, bool lasting)
{
    *plan() = (struct plan){.of = of, .at = at, .lasting = lasting};
}

void memory_arm(void)
{
    struct plan *p = plan();
    if (p->of == MEMORY_SQLITE && system_memory.xMalloc == NULL) {
        (void)sqlite3_shutdown();
        if (sqlite3_config(SQLITE_CONFIG_GETMALLOC, &system_memory) != SQLITE_OK)
            abort();
        sqlite3_mem_methods ours = system_memory;
        ours.xMalloc = sqlite_malloc;
        ours.xRealloc = sqlite_realloc;
        if (sqlite3_config(SQLITE_CONFIG_MALLOC, &ours) != SQLITE_OK ||
            sqlite3_config(SQLITE_CONFIG_MEMSTATUS, 0) != SQLITE_OK)
            abort();
    }
    p->process = getpid();
    /* What tools do at the end of a process is no part of it. */
    (void)atexit(memory_disarm);
    armed = p;
}

void memory_disarm(void)
{
    armed = NULL;
}

long memory_counted(void)
{
    return plan()->counted;
}

bool memory_failed(void)
{
    return plan()->failed;
}
