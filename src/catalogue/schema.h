/* schema.h - private to the catalogue. */
#ifndef CHAFFINCH_CATALOGUE_SCHEMA_H
#define CHAFFINCH_CATALOGUE_SCHEMA_H

#include "chaffinch/catalogue.h"

/* "not measured yet", with the command to type. Returns false. */
bool schema_not_measured(const struct root *root, struct err *err);

#endif
