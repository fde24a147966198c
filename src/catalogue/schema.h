/*
 * schema.h - which database this is, and the steps that bring an older one up to date.
 *
 * SQLite's application_id says that a file is a catalogue, its user_version how many steps it has had. Every
 * step is one transaction that also counts the version up, so a crash leaves the version before or after it.
 */
#ifndef CHAFFINCH_CATALOGUE_SCHEMA_H
#define CHAFFINCH_CATALOGUE_SCHEMA_H

#include "sql.h"

enum { SCHEMA_APPLICATION_ID = 0x43484646 /* "CHFF" */ };

struct schema_step {
    const char *const *statements; /* NULL at the end */
};

struct schema {
    int32_t application_id;
    const struct schema_step *steps; /* steps[N]: from version N to N + 1 */
    int version;                     /* how many there are */
};

const struct schema *schema_current(void);

enum schema_state { SCHEMA_EMPTY, SCHEMA_OLDER, SCHEMA_CURRENT, SCHEMA_NEWER, SCHEMA_FOREIGN };
/* What the open database is. *version may be NULL. */
bool schema_look(struct catalogue *c, const struct schema *schema, enum schema_state *state, int64_t *version,
                 struct err *err);
/* Takes the steps that are missing. To be called outside of a transaction. On failure the steps before the
   failed one hold. */
bool schema_migrate(struct catalogue *c, const struct schema *schema, struct err *err);

#endif
