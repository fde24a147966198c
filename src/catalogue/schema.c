#include "schema.h"

#include <stdio.h>

static bool value_of(struct catalogue *c, const char *text, int64_t *value, struct err *err)
{
    struct sql q;
    *value = 0;
    if (!sql_start(c, &q, text, err))
        return false;
    if (sql_row(&q, err))
        *value = sql_get_int(&q, 0);
    return sql_end(&q);
}

/* All three as of one moment: between two of them another process may make the tables, and a fresh catalogue
   would look like a foreign one. */
static bool look_at_once(struct catalogue *c, int64_t *id, int64_t *version, int64_t *things, struct err *err)
{
    if (!sql_exec(c, "BEGIN", err))
        return false;
    bool ok = value_of(c, "PRAGMA application_id", id, err) &&
              value_of(c, "PRAGMA user_version", version, err) &&
              value_of(c, "SELECT count(*) FROM sqlite_schema", things, err);
    if (ok && sql_exec(c, "COMMIT", err))
        return true;
    catalogue_rollback(c);
    return false;
}

bool schema_look(struct catalogue *c, const struct schema *schema, enum schema_state *state, int64_t *version,
                 struct err *err)
{
    int64_t id, own_version, things;
    if (!look_at_once(c, &id, &own_version, &things, err))
        return false;
    if (version != NULL)
        *version = own_version;
    if (id == 0 && own_version == 0 && things == 0)
        *state = SCHEMA_EMPTY;
    else if (id != schema->application_id || own_version < 1)
        *state = SCHEMA_FOREIGN;
    else
        *state = own_version < schema->version   ? SCHEMA_OLDER
                 : own_version > schema->version ? SCHEMA_NEWER
                                                 : SCHEMA_CURRENT;
    return true;
}

/* Inside a transaction that holds the write lock: nobody else can have taken the step meanwhile. */
static bool take_step(struct catalogue *c, const struct schema *schema, bool *taken, struct err *err)
{
    char count_up[96];
    int64_t version;
    *taken = false;
    if (!value_of(c, "PRAGMA user_version", &version, err))
        return false;
    if (version < 0 || version >= schema->version)
        return true;
    (void)snprintf(count_up, sizeof count_up, "PRAGMA user_version = %d; PRAGMA application_id = %d;",
                   (int)version + 1, (int)schema->application_id);
    *taken = true;
    for (const char *const *statement = schema->steps[version].statements; *statement != NULL; statement++)
        if (!sql_exec(c, *statement, err))
            return false;
    return sql_exec(c, count_up, err);
}

bool schema_migrate(struct catalogue *c, const struct schema *schema, struct err *err)
{
    bool taken = true;
    while (taken) {
        if (!catalogue_begin(c, err))
            return false;
        if (!take_step(c, schema, &taken, err) || !catalogue_commit(c, err)) {
            catalogue_rollback(c);
            return false;
        }
    }
    return true;
}
