#include "disk_model.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "program.h"
#include "tree.h"

enum { SECTOR = 512, MAX_NODES = 1024, MAX_NAMES = 4096, MAX_EVENTS = 1 << 16 };
#define ARENA_BYTES ((size_t)256 << 20)

struct event {
    enum tap_call call;
    bool folder; /* the new name is a folder */
    ino_t ino;   /* of the file, or of the folder that the name is in */
    ino_t other; /* of the new file; of the folder of the new name */
    ino_t file;  /* what was renamed or linked */
    char name[256], to_name[256];
    off_t offset;
    size_t size, bytes; /* of a write: where in the arena */
    struct timespec mtime;
};

struct arena {
    size_t n_events, used;
    size_t kill_at; /* that many events are let pass */
    struct event event[MAX_EVENTS];
    uint8_t bytes[];
};

struct node {
    ino_t ino;
    bool folder, reached;
    uint8_t *bytes;
    size_t size;
    struct timespec mtime;
    mode_t mode;
};

struct name {
    ino_t dir, ino;
    char text[256];
};

struct disk {
    struct node node[MAX_NODES];
    size_t n_nodes;
    struct name name[MAX_NAMES];
    size_t n_names;
};

/* Tests only: one recording at a time. */
static struct arena *arena;
static struct disk start;
static char *watched;
static const char *watched_names[MODEL_TREES];
static size_t n_watched;
static ino_t top;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

/* ---- the disk ------------------------------------------------------------------------------------------ */

static struct node *find_node(struct disk *d, ino_t ino)
{
    for (size_t i = 0; i < d->n_nodes; i++)
        if (d->node[i].ino == ino)
            return &d->node[i];
    return NULL;
}

static struct node *add_node(struct disk *d, ino_t ino, bool folder)
{
    struct node *n = find_node(d, ino);
    if (n == NULL) {
        if (d->n_nodes == MAX_NODES)
            tree_die("too many files for", "the model of a disk");
        n = &d->node[d->n_nodes++];
        *n = (struct node){.ino = ino, .folder = folder, .mode = folder ? 0755 : 0644};
    }
    return n;
}

static struct name *find_name(struct disk *d, ino_t dir, const char *text)
{
    for (size_t i = 0; i < d->n_names; i++)
        if (d->name[i].dir == dir && strcmp(d->name[i].text, text) == 0)
            return &d->name[i];
    return NULL;
}

static void set_name(struct disk *d, ino_t dir, const char *text, ino_t ino)
{
    struct name *n = find_name(d, dir, text);
    if (n == NULL) {
        if (d->n_names == MAX_NAMES)
            tree_die("too many names for", "the model of a disk");
        n = &d->name[d->n_names++];
        (void)snprintf(n->text, sizeof n->text, "%s", text);
        n->dir = dir;
    }
    n->ino = ino;
}

static void drop_name(struct disk *d, ino_t dir, const char *text)
{
    struct name *n = find_name(d, dir, text);
    if (n != NULL)
        *n = d->name[--d->n_names];
}

static void resize(struct node *n, size_t size)
{
    n->bytes = realloc(n->bytes, size + 1);
    if (n->bytes == NULL)
        tree_die("no memory for", "the model of a disk");
    if (size > n->size)
        memset(n->bytes + n->size, 0, size - n->size);
    n->size = size;
}

static void disk_copy(struct disk *to, const struct disk *from)
{
    *to = *from;
    for (size_t i = 0; i < to->n_nodes; i++) {
        to->node[i].bytes = NULL;
        to->node[i].size = 0;
        resize(&to->node[i], from->node[i].size);
        if (from->node[i].size > 0)
            memcpy(to->node[i].bytes, from->node[i].bytes, from->node[i].size);
    }
}

static void disk_release(struct disk *d)
{
    for (size_t i = 0; i < d->n_nodes; i++)
        free(d->node[i].bytes);
    d->n_nodes = d->n_names = 0;
}

/* ---- watching ------------------------------------------------------------------------------------------ */

static ino_t ino_of(const char *path, struct stat *st)
{
    return lstat(path, st) == 0 ? st->st_ino : 0;
}

static void remember(ino_t dir, const char *path, const char *text)
{
    struct stat st;
    struct tree tree;
    if (ino_of(path, &st) == 0)
        return;
    struct node *n = add_node(&start, st.st_ino, S_ISDIR(st.st_mode));
    n->mtime = st.st_mtim;
    n->mode = st.st_mode & 07777;
    set_name(&start, dir, text, st.st_ino);
    if (S_ISREG(st.st_mode)) {
        int fd = open(path, O_RDONLY | O_CLOEXEC);
        resize(n, (size_t)st.st_size);
        if (fd < 0 || read(fd, n->bytes, n->size) != (ssize_t)n->size)
            tree_die("cannot read", path);
        (void)close(fd);
    }
    if (!n->folder)
        return;
    tree_read(&tree, path, true);
    for (size_t i = 0; i < tree.n; i++)
        if (strchr(tree.entry[i].path, '/') == NULL) {
            char *all = tree_path(path, tree.entry[i].path);
            remember(st.st_ino, all, tree.entry[i].path);
            free(all);
        }
    tree_release(&tree);
}

void model_watch(const char *parent, const char *const *names, size_t n)
{
    struct stat st;
    if (arena == NULL)
        arena = program_shared(ARENA_BYTES);
    arena->n_events = arena->used = arena->kill_at = 0;
    disk_release(&start);
    free(watched);
    watched = strdup(parent);
    top = ino_of(parent, &st);
    n_watched = n;
    for (size_t i = 0; i < n; i++) {
        watched_names[i] = names[i];
        char *path = tree_path(parent, names[i]);
        remember(top, path, names[i]);
        free(path);
    }
}

/* ---- recording ----------------------------------------------------------------------------------------- */

/* The folder that a name is in, and the last part of the name. */
static ino_t folder_of(int fd, const char *name, char leaf[256])
{
    struct stat st;
    const char *slash = strrchr(name, '/');
    (void)snprintf(leaf, 256, "%.255s", slash != NULL ? slash + 1 : name);
    if (slash == NULL)
        return fstat(fd, &st) == 0 ? st.st_ino : 0;
    char *dir = strndup(name, slash > name ? (size_t)(slash - name) : 1);
    ino_t ino = fstatat(fd, dir, &st, 0) == 0 ? st.st_ino : 0;
    free(dir);
    return ino;
}

static bool fill(struct event *e, const struct tap_event *event, long result)
{
    struct stat st;
    e->call = event->call;
    switch (event->call) {
    case TAP_CREATE:
    case TAP_MKDIR:
        if (result < 0 || fstatat(event->fd, event->name, &st, AT_SYMLINK_NOFOLLOW) != 0)
            return false;
        e->other = st.st_ino;
        e->folder = event->call == TAP_MKDIR;
        e->ino = folder_of(event->fd, event->name, e->name);
        return true;
    case TAP_RENAME:
    case TAP_LINK:
        e->ino = folder_of(event->fd, event->name, e->name);
        e->other = folder_of(event->to_dir, event->to_name, e->to_name);
        if (result != 0 || fstatat(event->to_dir, event->to_name, &st, AT_SYMLINK_NOFOLLOW) != 0)
            return false;
        e->file = st.st_ino;
        return true;
    case TAP_UNLINK:
        e->ino = folder_of(event->fd, event->name, e->name);
        return result == 0;
    case TAP_SYNC:
        e->ino = (event->name != NULL ? fstatat(event->fd, event->name, &st, 0) : fstat(event->fd, &st)) == 0
                     ? st.st_ino
                     : 0;
        return true;
    case TAP_WRITE:
    case TAP_TRUNCATE:
    case TAP_TIMES:
        if (result < 0 || fstat(event->fd, &st) != 0)
            return false;
        e->ino = st.st_ino;
        e->mtime = st.st_mtim;
        e->offset = event->offset;
        e->size = event->call == TAP_WRITE ? (size_t)result : 0;
        if (event->call == TAP_WRITE && event->offset < 0)
            e->offset = lseek(event->fd, 0, SEEK_CUR) - (off_t)result;
        return true;
    default:
        return false;
    }
}

static bool changes(const struct tap_event *event)
{
    static const uint32_t calls = 1u << TAP_CREATE | 1u << TAP_MKDIR | 1u << TAP_RENAME | 1u << TAP_LINK |
                                  1u << TAP_UNLINK | 1u << TAP_SYNC | 1u << TAP_WRITE | 1u << TAP_TRUNCATE |
                                  1u << TAP_TIMES;
    return (calls >> event->call & 1) != 0;
}

/* Held from before a call until it is recorded: a kill in between would lose the record of what happened. */
static int begin(const struct tap_event *event)
{
    if (changes(event))
        (void)pthread_mutex_lock(&lock);
    return TAP_PASS;
}

static void keep(const struct tap_event *event, long result)
{
    struct event e = {.ino = 0};
    if (!fill(&e, event, result))
        return;
    if (arena->n_events == MAX_EVENTS || sizeof *arena + arena->used + e.size > ARENA_BYTES)
        abort();
    if (e.call == TAP_WRITE) {
        e.bytes = arena->used;
        memcpy(arena->bytes + arena->used, event->bytes, e.size);
        arena->used += e.size;
    }
    arena->event[arena->n_events++] = e;
    if (arena->n_events == arena->kill_at)
        (void)kill(getpid(), SIGKILL);
}

static void record(const struct tap_event *event, long result)
{
    if (!changes(event))
        return;
    keep(event, result);
    (void)pthread_mutex_unlock(&lock);
}

const struct tap_hooks model_hooks = {.before = begin, .after = record};

void model_kill_at(long n)
{
    arena->kill_at = n > 0 ? arena->n_events + (size_t)n : 0;
}

size_t model_events(void)
{
    return arena->n_events;
}

const char *model_event_text(size_t n, char *out, size_t room)
{
    const struct event *e = &arena->event[n > 0 ? n - 1 : 0];
    (void)snprintf(out, room, "%s %lu %s %s", tap_call_name(e->call), (unsigned long)e->ino, e->name,
                   e->to_name);
    return out;
}

/* ---- cutting ------------------------------------------------------------------------------------------- */

enum { KEPT, DROPPED, TORN };

static uint32_t next_random(uint32_t *state) /* xorshift32: Marsaglia 2003 */
{
    uint32_t x = *state;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return *state = x;
}

static bool synced(size_t i, size_t cut, ino_t ino)
{
    for (size_t k = i + 1; k < cut; k++)
        if (arena->event[k].call == TAP_SYNC && arena->event[k].ino == ino)
            return true;
    return false;
}

static bool is_synced(size_t i, size_t cut)
{
    const struct event *e = &arena->event[i];
    /* A new name is there for good once its folder is synced. */
    if (e->call == TAP_LINK)
        return synced(i, cut, e->other);
    return synced(i, cut, e->ino) || (e->call == TAP_RENAME && synced(i, cut, e->other));
}

/* Each sector of a write as it was, as it should be, or noise. */
static void tear(struct node *n, const struct event *e, uint32_t *random)
{
    size_t begin = (size_t)e->offset, end = begin + e->size;
    for (size_t at = begin, stop; at < end; at = stop) {
        stop = (at / SECTOR + 1) * SECTOR;
        if (stop > end)
            stop = end;
        uint32_t way = next_random(random) % 3;
        for (size_t k = at; k < stop; k++)
            if (way == 0)
                n->bytes[k] = arena->bytes[e->bytes + k - begin];
            else if (way == 1)
                n->bytes[k] = (uint8_t)next_random(random);
    }
}

static bool names_it(const struct event *e, ino_t dir, const char *name)
{
    if (e->call != TAP_CREATE && e->call != TAP_MKDIR && e->call != TAP_UNLINK && e->call != TAP_RENAME &&
        e->call != TAP_LINK)
        return false;
    return (e->ino == dir && strcmp(e->name, name) == 0 && e->call != TAP_LINK) ||
           ((e->call == TAP_RENAME || e->call == TAP_LINK) && e->other == dir &&
            strcmp(e->to_name, name) == 0);
}

/* What happened to one name happened in order: if a change of it is there, so are those before it. */
static void keep_order(uint8_t *way, size_t cut)
{
    for (size_t i = cut; i-- > 0;) {
        const struct event *e = &arena->event[i];
        if (way[i] != KEPT)
            continue;
        for (size_t k = 0; k < i; k++)
            if (names_it(&arena->event[k], e->ino, e->name) ||
                (e->to_name[0] != '\0' && names_it(&arena->event[k], e->other, e->to_name)))
                way[k] = KEPT;
    }
}

static void replay_write(struct disk *d, const struct event *e, bool torn, uint32_t *random)
{
    struct node *n = add_node(d, e->ino, false);
    size_t end = (size_t)e->offset + e->size;
    if (end > n->size)
        resize(n, end);
    if (torn)
        tear(n, e, random);
    else
        memcpy(n->bytes + e->offset, arena->bytes + e->bytes, e->size);
    n->mtime = e->mtime;
}

static void replay(struct disk *d, const struct event *e, bool torn, uint32_t *random)
{
    switch (e->call) {
    case TAP_CREATE:
    case TAP_MKDIR:
        (void)add_node(d, e->other, e->folder);
        set_name(d, e->ino, e->name, e->other);
        break;
    case TAP_RENAME:
    case TAP_LINK:
        (void)add_node(d, e->file, false);
        set_name(d, e->other, e->to_name, e->file);
        if (e->call == TAP_RENAME)
            drop_name(d, e->ino, e->name);
        break;
    case TAP_UNLINK:
        drop_name(d, e->ino, e->name);
        break;
    case TAP_WRITE:
        replay_write(d, e, torn, random);
        break;
    case TAP_TRUNCATE:
        resize(add_node(d, e->ino, false), (size_t)e->offset);
        break;
    case TAP_TIMES:
        add_node(d, e->ino, false)->mtime = e->mtime;
        break;
    default:
        break;
    }
}

static void lay_out(struct disk *d, ino_t ino, const char *path)
{
    struct node *n = find_node(d, ino);
    if (n == NULL || (n->folder && n->reached))
        return;
    n->reached = true;
    if (n->folder) {
        if (mkdir(path, 0755) != 0)
            tree_die("cannot make", path);
        for (size_t i = 0; i < d->n_names; i++)
            if (d->name[i].dir == ino) {
                char *all = tree_path(path, d->name[i].text);
                lay_out(d, d->name[i].ino, all);
                free(all);
            }
    } else {
        tree_write(path, n->bytes, n->size);
        (void)chmod(path, n->mode);
    }
    const struct timespec times[2] = {n->mtime, n->mtime};
    (void)utimensat(AT_FDCWD, path, times, 0);
}

void model_cut(size_t cut, uint32_t seed)
{
    static struct disk d;
    uint32_t random = seed * 2654435761u + (uint32_t)cut * 40503u + 1;
    disk_copy(&d, &start);
    static uint8_t ways[MAX_EVENTS];
    if (cut > arena->n_events)
        cut = arena->n_events;
    /* Of what is not synced: one seed drops all, one keeps all, the others choose anew for each. */
    for (size_t i = 0; i < cut; i++) {
        uint32_t way = seed == 0 ? DROPPED : seed == 1 ? KEPT : next_random(&random) % 3;
        ways[i] = (uint8_t)(is_synced(i, cut) ? KEPT : way);
    }
    keep_order(ways, cut);
    for (size_t i = 0; i < cut; i++) {
        const struct event *e = &arena->event[i];
        if (ways[i] == KEPT || (ways[i] == TORN && e->call == TAP_WRITE))
            replay(&d, e, ways[i] == TORN, &random);
    }
    for (size_t i = 0; i < n_watched; i++) {
        char *path = tree_path(watched, watched_names[i]);
        struct name *n = find_name(&d, top, watched_names[i]);
        tree_remove(path);
        if (n != NULL)
            lay_out(&d, n->ino, path);
        free(path);
    }
    disk_release(&d);
}
