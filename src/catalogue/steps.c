/*
 * The SQL that makes a catalogue, one step a version, one string a statement.
 *
 * Tables have names in the singular and are the program's; views have names in the plural and are for people
 * with a shell: paths as text, times as text, the outcome worked out. Names of files are BLOBs in the tables,
 * since they may hold any bytes. A blur or a score that is not known is NULL.
 */
#include "schema.h"

#include <stddef.h>

/* clang-format off */
static const char *const version_1[] = {
    "CREATE TABLE setting (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT",

    "CREATE TABLE frame ("
    "  id INTEGER PRIMARY KEY,"
    "  identity TEXT NOT NULL UNIQUE,"
    "  body TEXT NOT NULL,"
    "  folder BLOB NOT NULL, name BLOB NOT NULL, prefix BLOB NOT NULL,"
    "  number INTEGER NOT NULL, folder_number INTEGER NOT NULL,"
    "  maker TEXT NOT NULL, model TEXT NOT NULL, serial TEXT NOT NULL, lens TEXT NOT NULL,"
    "  time_ns INTEGER, subsec_digits INTEGER NOT NULL, offset_min INTEGER,"
    "  exposure_s REAL, f_number REAL, focal_mm REAL, iso REAL, focus_m REAL,"
    "  orientation INTEGER NOT NULL, width_px INTEGER NOT NULL, height_px INTEGER NOT NULL,"
    "  rating INTEGER NOT NULL, protected INTEGER NOT NULL,"
    "  sequence INTEGER NOT NULL, burst_group INTEGER NOT NULL,"
    "  missing INTEGER NOT NULL DEFAULT 0,"
    "  state TEXT NOT NULL DEFAULT 'new'"
    "    CHECK (state IN ('new', 'measured', 'unreadable', 'format', 'not-scored')),"
    "  cause TEXT NOT NULL DEFAULT '',"
    "  judged_on TEXT NOT NULL DEFAULT '',"
    "  judged_width_px INTEGER NOT NULL DEFAULT 0, judged_height_px INTEGER NOT NULL DEFAULT 0,"
    "  pack INTEGER NOT NULL DEFAULT 0, pack_offset INTEGER NOT NULL DEFAULT 0,"
    "  pack_size INTEGER NOT NULL DEFAULT 0,"
    "  burst INTEGER NOT NULL DEFAULT 0, position INTEGER NOT NULL DEFAULT 0,"
    "  estimated_ns INTEGER NOT NULL DEFAULT 0,"
    "  pass INTEGER NOT NULL DEFAULT 0, rank INTEGER NOT NULL DEFAULT 0,"
    "  proposal TEXT NOT NULL DEFAULT '' CHECK (proposal IN ('', 'keep', 'reject', 'none')),"
    "  reason TEXT NOT NULL DEFAULT '',"
    "  decision TEXT NOT NULL DEFAULT '' CHECK (decision IN ('', 'keep', 'reject')),"
    "  accepted TEXT NOT NULL DEFAULT '' CHECK (accepted IN ('', 'keep', 'reject', 'none'))"
    ") STRICT",
    "CREATE INDEX frame_burst ON frame (burst, position)",

    "CREATE TABLE file ("
    "  id INTEGER PRIMARY KEY,"
    "  frame INTEGER NOT NULL REFERENCES frame (id),"
    "  path BLOB NOT NULL UNIQUE, home BLOB,"
    "  kind TEXT NOT NULL, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, fingerprint BLOB,"
    "  missing INTEGER NOT NULL DEFAULT 0"
    ") STRICT",
    "CREATE INDEX file_frame ON file (frame)",
    "CREATE INDEX file_home ON file (home) WHERE home IS NOT NULL",

    "CREATE TABLE burst ("
    "  number INTEGER PRIMARY KEY,"
    "  body TEXT NOT NULL, setup INTEGER NOT NULL DEFAULT 0,"
    "  start_ns INTEGER, n_frames INTEGER NOT NULL,"
    "  n_passes INTEGER NOT NULL DEFAULT 0, mode TEXT NOT NULL DEFAULT '',"
    "  perch INTEGER NOT NULL DEFAULT 0, nothing_sharp INTEGER NOT NULL DEFAULT 0,"
    "  stamp TEXT NOT NULL DEFAULT ''"
    ") STRICT",
    "CREATE INDEX burst_start ON burst (start_ns)",

    "CREATE TABLE item ("
    "  frame INTEGER NOT NULL REFERENCES frame (id), pass INTEGER NOT NULL, time_ns INTEGER NOT NULL,"
    "  x_px INTEGER NOT NULL, y_px INTEGER NOT NULL, w_px INTEGER NOT NULL, h_px INTEGER NOT NULL,"
    "  flags INTEGER NOT NULL, score REAL,"
    "  blur_px REAL, blur_low_px REAL, blur_high_px REAL, p_sharp REAL,"
    "  laplacian_variance REAL, tenengrad REAL, area_cells REAL, outline BLOB NOT NULL,"
    "  PRIMARY KEY (frame, pass)"
    ") STRICT, WITHOUT ROWID",

    "CREATE TABLE decision ("
    "  id INTEGER PRIMARY KEY,"
    "  frame INTEGER NOT NULL REFERENCES frame (id),"
    "  decision TEXT NOT NULL, who TEXT NOT NULL, at_ns INTEGER NOT NULL"
    ") STRICT",
    "CREATE INDEX decision_frame ON decision (frame)",
    /* Records of decisions.log whose frames are not there (yet). */
    "CREATE TABLE pending ("
    "  id INTEGER PRIMARY KEY,"
    "  identity TEXT NOT NULL,"
    "  decision TEXT NOT NULL, who TEXT NOT NULL, at_ns INTEGER NOT NULL"
    ") STRICT",
    "CREATE INDEX pending_identity ON pending (identity)",
    /* How far a text log was taken into these tables. */
    "CREATE TABLE replayed (log TEXT PRIMARY KEY, records INTEGER NOT NULL, bytes INTEGER NOT NULL) STRICT",

    "CREATE TABLE copy ("
    "  path BLOB PRIMARY KEY, card_path BLOB NOT NULL, card TEXT NOT NULL,"
    "  size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, digest TEXT NOT NULL, second TEXT NOT NULL"
    ") STRICT",

    "CREATE VIEW frames AS SELECT f.id, f.burst, f.position, f.pass,"
    "  CAST((SELECT path FROM file p WHERE p.frame = f.id AND p.kind IN ('jpeg', 'raw', 'heif', 'container')"
    "    ORDER BY p.missing, CASE p.kind WHEN 'jpeg' THEN 0 WHEN 'raw' THEN 1 ELSE 2 END, p.path LIMIT 1)"
    "    AS TEXT) AS path,"
    "  strftime('%Y-%m-%dT%H:%M:%S', f.time_ns / 1000000000, 'unixepoch')"
    "    || printf('.%03d', f.time_ns / 1000000 % 1000) AS time,"
    "  i.score, i.blur_px, nullif(f.rank, 0) AS rank, f.proposal, f.decision,"
    "  CASE WHEN f.decision <> '' THEN f.decision WHEN f.protected OR f.rating >= 1 THEN 'keep'"
    "    WHEN f.proposal = '' THEN 'none' ELSE f.proposal END AS outcome,"
    "  f.reason, f.state, f.cause, f.missing"
    "  FROM frame f LEFT JOIN item i ON i.frame = f.id AND i.pass = f.pass"
    "  ORDER BY f.burst, f.position",

    "CREATE VIEW files AS SELECT id, frame, CAST(path AS TEXT) AS path, CAST(home AS TEXT) AS home, kind, size,"
    "  strftime('%Y-%m-%dT%H:%M:%SZ', mtime_ns / 1000000000, 'unixepoch') AS changed,"
    "  lower(hex(fingerprint)) AS fingerprint, missing FROM file ORDER BY file.path",

    "CREATE VIEW bursts AS SELECT number, setup, body,"
    "  strftime('%Y-%m-%dT%H:%M:%S', start_ns / 1000000000, 'unixepoch') AS start,"
    "  n_frames AS frames, n_passes AS passes, mode, perch, nothing_sharp FROM burst ORDER BY number",

    "CREATE VIEW subjects AS SELECT f.burst, i.pass, f.position, i.frame, i.score, i.blur_px, i.blur_low_px,"
    "  i.blur_high_px, i.x_px AS x, i.y_px AS y, i.w_px AS w, i.h_px AS h"
    "  FROM frame f JOIN item i ON i.frame = f.id ORDER BY f.burst, i.pass, f.position",

    "CREATE VIEW decisions AS SELECT d.frame, f.identity, d.decision, d.who,"
    "  strftime('%Y-%m-%dT%H:%M:%SZ', d.at_ns / 1000000000, 'unixepoch') AS at"
    "  FROM decision d JOIN frame f ON f.id = d.frame ORDER BY d.id",

    "CREATE VIEW copies AS SELECT CAST(path AS TEXT) AS path, CAST(card_path AS TEXT) AS card_path, card, size,"
    "  strftime('%Y-%m-%dT%H:%M:%SZ', mtime_ns / 1000000000, 'unixepoch') AS changed, digest, second"
    "  FROM copy ORDER BY copy.path",
    NULL,
};

/* What a page for looking and deciding adds: acts that can be taken back, the second round, areas. */
static const char *const version_2[] = {
    "ALTER TABLE decision ADD COLUMN detail TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE decision ADD COLUMN undone INTEGER NOT NULL DEFAULT 0",
    "CREATE INDEX decision_at ON decision (at_ns)",
    "ALTER TABLE pending ADD COLUMN detail TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE frame ADD COLUMN shortlist INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE frame ADD COLUMN recalled INTEGER NOT NULL DEFAULT 0",

    "CREATE TABLE area ("
    "  id INTEGER PRIMARY KEY REFERENCES decision (id),"
    "  frame INTEGER NOT NULL REFERENCES frame (id),"
    "  kind TEXT NOT NULL CHECK (kind IN ('ignore', 'keep-out')),"
    "  x REAL NOT NULL, y REAL NOT NULL, w REAL NOT NULL, h REAL NOT NULL,"
    "  made TEXT NOT NULL, removed INTEGER NOT NULL DEFAULT 0"
    ") STRICT",
    "CREATE INDEX area_frame ON area (frame)",

    "DROP VIEW decisions",
    "CREATE VIEW decisions AS SELECT d.frame, f.identity, d.decision, d.who,"
    "  strftime('%Y-%m-%dT%H:%M:%SZ', d.at_ns / 1000000000, 'unixepoch') AS at, d.detail, d.undone"
    "  FROM decision d JOIN frame f ON f.id = d.frame ORDER BY d.id",

    "CREATE VIEW areas AS SELECT a.id, b.setup, a.kind, a.x, a.y, a.w, a.h FROM area a"
    "  JOIN frame f ON f.id = a.frame JOIN burst b ON b.number = f.burst"
    "  WHERE a.removed = 0 ORDER BY b.setup, a.id",
    NULL,
};

/* What a score was made from. */
static const char *const version_3[] = {
    "ALTER TABLE item ADD COLUMN energy_1 REAL",
    "ALTER TABLE item ADD COLUMN energy_2 REAL",
    "ALTER TABLE item ADD COLUMN energy_4 REAL",
    "ALTER TABLE item ADD COLUMN energy_8 REAL",
    "ALTER TABLE item ADD COLUMN floor_1 REAL",
    "ALTER TABLE item ADD COLUMN floor_2 REAL",
    "ALTER TABLE item ADD COLUMN floor_4 REAL",
    "ALTER TABLE item ADD COLUMN contrast REAL",
    "ALTER TABLE item ADD COLUMN clipped REAL",
    "ALTER TABLE item ADD COLUMN luma REAL",
    "ALTER TABLE item ADD COLUMN light REAL",
    "ALTER TABLE item ADD COLUMN energy_weight REAL",
    "ALTER TABLE item ADD COLUMN normal_weight REAL",
    "ALTER TABLE item ADD COLUMN head_blur_px REAL",
    NULL,
};

/* How much of a frame was decoded. */
static const char *const version_4[] = {
    "ALTER TABLE frame ADD COLUMN decoded REAL NOT NULL DEFAULT 1",
    NULL,
};
/* clang-format on */

const struct schema *schema_current(void)
{
    /* Step N brings a catalogue of version N to version N + 1. A step is never changed once it is released;
       new ones go to the end. */
    static const struct schema_step steps[] = {{version_1}, {version_2}, {version_3}, {version_4}};
    static const struct schema current = {SCHEMA_APPLICATION_ID, steps, sizeof steps / sizeof steps[0]};
    return &current;
}
