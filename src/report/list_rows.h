/* list_rows.h - one frame or one burst as a line of each format. */
#ifndef CHAFFINCH_REPORT_LIST_ROWS_H
#define CHAFFINCH_REPORT_LIST_ROWS_H

#include <cjson/cJSON.h>

#include "chaffinch/catalogue.h"
#include "chaffinch/str.h"
#include "summary.h"

extern const char list_csv_frames_header[], list_csv_bursts_header[];
void list_csv_frame(struct str *out, const struct catalogue_row *row);
void list_csv_burst(struct str *out, const struct burst_summary *burst);

extern const char list_table_frames_header[], list_table_bursts_header[];
void list_table_frame(struct str *out, const struct catalogue_row *row);
void list_table_burst(struct str *out, const struct burst_summary *burst);

/* The object of a frame, with its files and all its subjects; NULL with err. The caller deletes it. */
cJSON *list_json_frame(struct catalogue *c, const struct catalogue_row *row,
                       const struct catalogue_items *items, struct err *err);
cJSON *list_json_burst(const struct burst_summary *burst, struct err *err);
/* Appends the object as one line and deletes it; NULL is passed on as a failure. */
bool list_json_line(struct str *out, cJSON *object, struct err *err);
/* "path", or null and "path_base64". */
bool list_json_path(cJSON *object, const char *key, const char *path);

#endif
