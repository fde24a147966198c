/* naming.h - the three real calls that change names; defined in publish.c, put into the table by system.c. */
#ifndef CHAFFINCH_BASE_NAMING_H
#define CHAFFINCH_BASE_NAMING_H

int naming_renameat2(void *context, int dir, const char *name, int to_dir, const char *to_name,
                     unsigned flags);
int naming_linkat(void *context, int dir, const char *name, int to_dir, const char *to_name);
int naming_unlinkat(void *context, int dir, const char *name, int flags);

#endif
