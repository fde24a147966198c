/* PNG out, by libpng's simplified interface: it writes to memory and never jumps. */
#include "chaffinch/decode.h"

#include <png.h>
#include <stdlib.h>
#include <string.h>

bool decode_encode_png(const struct decode_picture *picture, uint8_t **bytes, size_t *size, struct err *err)
{
    png_image image;
    memset(&image, 0, sizeof image);
    image.version = PNG_IMAGE_VERSION;
    image.width = picture->width_px;
    image.height = picture->height_px;
    image.format = PNG_FORMAT_RGB;
    png_alloc_size_t room = PNG_IMAGE_PNG_SIZE_MAX(image);
    uint8_t *out = malloc(room);
    if (out == NULL)
        return err_nomem(err);
    if (!png_image_write_to_memory(&image, out, &room, 0, picture->rgb, 0, NULL)) {
        err_set(err, ERR_FORMAT, "the picture cannot be written as PNG: %.64s", image.message);
        png_image_free(&image);
        free(out);
        return false;
    }
    *bytes = out;
    *size = room;
    return true;
}
