/* picture.h - small pictures as a camera writes them. */
#ifndef TESTS_TORTURE_PICTURE_H
#define TESTS_TORTURE_PICTURE_H

#include <stddef.h>
#include <stdint.h>

/* A decodable picture with an Exif head that tells body and time; malloc'ed, *size is set. */
uint8_t *scene_jpeg(uint32_t width_px, uint32_t height_px, uint32_t seed, int ms, size_t *size);

#endif
