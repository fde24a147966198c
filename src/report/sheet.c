#include "sheet.h"

bool report_sheet(struct catalogue *c, const struct report_sheet_options *options, struct str *html,
                  struct err *err)
{
    struct sheet_model model = {0};
    bool ok = sheet_model_load(&model, c, err);
    model.name = options->name;
    if (ok && model.n_frames == 0)
        ok = err_set(err, ERR_USAGE, "the session '%s' holds no frames", options->name);
    ok = ok && sheet_pictures_load(&model, &options->crops, err) && sheet_page(html, &model, err);
    sheet_model_release(&model);
    return ok;
}
