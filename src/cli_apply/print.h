/*
 * print.h - how chaffinch-apply shows a plan and a result: for a person, as JSON Lines, or as bare names.
 */
#ifndef CHAFFINCH_CLI_APPLY_PRINT_H
#define CHAFFINCH_CLI_APPLY_PRINT_H

#include "chaffinch/apply.h"

/* For a person: what it comes to, then burst by burst. A deletion ends with the line "delete: N files". */
bool print_plan_table(struct apply *a, const struct apply_options *options, const char *session,
                      struct err *err);
/* One object a file that would be moved or deleted, one a frame that is left, one with the totals. */
bool print_plan_jsonl(struct apply *a, const struct apply_options *options, struct err *err);
/* The paths of all files that would be moved or deleted, each followed by a NUL. */
bool print_plan_names(struct apply *a, struct err *err);

void print_moved(const struct apply_result *result, const struct apply_options *options, const char *session);
void print_swapped(const struct apply_result *result, const char *session);
void print_undone(const struct apply_result *result);
void print_deleted(const struct apply_result *result);

#endif
