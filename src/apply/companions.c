#include "companions.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

struct listing {
    const char *folder;
    const char **names; /* by what stands before the first dot without case, then by bytes */
    size_t n, room;
};

void companions_init(struct companions *c, const struct files *fs)
{
    *c = (struct companions){.fs = fs};
}

void companions_release(struct companions *c)
{
    for (size_t i = 0; i < c->n_listings; i++)
        free(c->listings[i].names);
    free(c->listings);
    free(c->claims);
    keep_release(&c->text);
    companions_init(c, c->fs);
}

bool companions_claim(struct companions *c, const char *path, uint64_t owner, bool picture, struct err *err)
{
    void *grown = keep_room(c->claims, c->n_claims, &c->room_claims, sizeof c->claims[0], err);
    if (grown == NULL)
        return false;
    c->claims = grown;
    const char *kept = keep_text(&c->text, path, err);
    if (kept == NULL)
        return false;
    c->claims[c->n_claims++] = (struct claim){kept, owner, picture};
    return true;
}

static int by_path(const void *a, const void *b)
{
    return strcmp(((const struct claim *)a)->path, ((const struct claim *)b)->path);
}

void companions_ready(struct companions *c)
{
    if (c->n_claims > 0)
        qsort(c->claims, c->n_claims, sizeof c->claims[0], by_path);
}

struct place {
    const char *folder, *name;
};

/* Compares FOLDER/NAME with a path without building it: the answer must not depend on free memory. */
static int place_against_claim(const void *key, const void *item)
{
    const struct place *place = key;
    const char *path = ((const struct claim *)item)->path;
    size_t n = strlen(place->folder);
    if (n > 0) {
        int order = strncmp(place->folder, path, n);
        if (order != 0)
            return order;
        path += n;
        if (*path != '/')
            return (unsigned char)'/' - (unsigned char)*path;
        path++;
    }
    return strcmp(place->name, path);
}

static const struct claim *claim_of(const struct companions *c, const char *folder, const char *name)
{
    const struct place key = {folder, name};
    return c->n_claims == 0 ? NULL
                            : bsearch(&key, c->claims, c->n_claims, sizeof c->claims[0], place_against_claim);
}

/* ---- folders ------------------------------------------------------------------------------------------- */

static size_t base_size(const char *name)
{
    return strcspn(name, ".");
}

static int compare_bases(const char *a, const char *b)
{
    size_t na = base_size(a), nb = base_size(b);
    int order = strncasecmp(a, b, na < nb ? na : nb);
    return order != 0 ? order : (na > nb) - (na < nb);
}

static int by_base(const void *a, const void *b)
{
    const char *x = *(const char *const *)a, *y = *(const char *const *)b;
    int order = compare_bases(x, y);
    return order != 0 ? order : strcmp(x, y);
}

struct filling {
    struct companions *c;
    struct listing *listing;
};

static bool note_name(void *context, const char *path, const struct stat *st, bool *descend, struct err *err)
{
    struct filling *filling = context;
    struct listing *listing = filling->listing;
    *descend = false;
    if (!S_ISREG(st->st_mode) || *path == '.')
        return true;
    void *grown = keep_room(listing->names, listing->n, &listing->room, sizeof listing->names[0], err);
    if (grown == NULL)
        return false;
    listing->names = grown;
    listing->names[listing->n] = keep_text(&filling->c->text, path, err);
    return listing->names[listing->n++] != NULL;
}

static const struct listing *listing_of(struct companions *c, int dir, const char *folder, struct err *err)
{
    for (size_t i = c->n_listings; i-- > 0;)
        if (strcmp(c->listings[i].folder, folder) == 0)
            return &c->listings[i];
    struct listing fresh = {.folder = keep_text(&c->text, folder, err)};
    struct filling filling = {c, &fresh};
    const struct files_walk walk = {.context = &filling, .visit = note_name};
    void *grown = keep_room(c->listings, c->n_listings, &c->room_listings, sizeof c->listings[0], err);
    if (grown != NULL)
        c->listings = grown;
    if (grown == NULL || fresh.folder == NULL || !files_walk_tree(c->fs, dir, &walk, err)) {
        free(fresh.names);
        return NULL;
    }
    if (fresh.n > 0)
        qsort(fresh.names, fresh.n, sizeof fresh.names[0], by_base);
    c->listings[c->n_listings] = fresh;
    return &c->listings[c->n_listings++];
}

/* ---- the rule ------------------------------------------------------------------------------------------ */

/* Length without the last extension. */
static size_t stem_size(const char *name)
{
    const char *dot = strrchr(name, '.');
    return dot != NULL ? (size_t)(dot - name) : strlen(name);
}

static bool begins(const char *name, const char *text, size_t n)
{
    return strncasecmp(name, text, n) == 0;
}

/* How closely `name` follows the picture, 0 = not at all: its stem is the whole name of the picture
   ("a.jpg.xmp") or the stem of it ("a.xmp"), in the same case or not. A name that differs from the picture's
   by case only is a picture of its own. */
static int affinity(const char *picture, const char *name)
{
    size_t whole = strlen(picture), stem = stem_size(picture), own = stem_size(name);
    if (strcasecmp(picture, name) == 0 || (own != whole && own != stem) || !begins(name, picture, own))
        return 0;
    return (own == whole ? 2 : 1) + (strncmp(name, picture, own) == 0 ? 2 : 0);
}

struct range {
    const struct listing *listing;
    size_t first, end;
};

static struct range range_of(const struct listing *listing, const char *name)
{
    size_t low = 0, high = listing->n;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (compare_bases(listing->names[middle], name) < 0)
            low = middle + 1;
        else
            high = middle;
    }
    struct range range = {listing, low, low};
    while (range.end < listing->n && compare_bases(listing->names[range.end], name) == 0)
        range.end++;
    return range;
}

/* The owner of the picture in the range that the unclaimed `name` goes to. */
static uint64_t owner_of(const struct companions *c, const struct range *range, const char *folder,
                         const char *name)
{
    uint64_t owner = 0;
    int best = 0;
    for (size_t i = range->first; i < range->end; i++) {
        const struct claim *claim = claim_of(c, folder, range->listing->names[i]);
        int close = claim != NULL && claim->picture ? affinity(range->listing->names[i], name) : 0;
        if (close > best) {
            best = close;
            owner = claim->owner;
        }
    }
    return owner;
}

bool companions_each(struct companions *c, int dir, const char *folder, const char *name, uint64_t owner,
                     companions_visit *visit, void *context, struct err *err)
{
    const struct listing *listing = listing_of(c, dir, folder, err);
    if (listing == NULL)
        return false;
    if (base_size(name) == 0)
        return true;
    struct range range = range_of(listing, name);
    for (size_t i = range.first; i < range.end; i++) {
        const char *other = listing->names[i];
        if (strcmp(other, name) != 0 && claim_of(c, folder, other) == NULL &&
            owner_of(c, &range, folder, other) == owner && !visit(context, other, err))
            return false;
    }
    return true;
}
