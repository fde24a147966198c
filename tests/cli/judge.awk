# judge.awk TRUTH LIST   compares `chaffinch list --frames --format csv` of the demo session with the truth that the
# generator wrote beside the card. Prints one line a pass and a summary; every demand that is not met is a line "WRONG ...".
# Demands: of every pass that has a sharp frame the top frame is among the truly best three complete ones (ties within .05 px);
# no empty and no cut frame is proposed to be kept; the burst that is never sharp keeps none; the perch burst keeps a sharp one;
# what cannot be judged is none; marks made in the camera win.
BEGIN { FS = ","; SHARP = 2.2; TIE = .05; wrong = 0 }
function fail(text) { print "WRONG " text; wrong++ }
function max(a, b) { return a > b ? a : b }
function min(a, b) { return a < b ? a : b }
function overlap(ax, ay, aw, ah, bx, by, bw, bh,   w, h) {
    w = min(ax + aw, bx + bw) - max(ax, bx); h = min(ay + ah, by + bh) - max(ay, by)
    return w > 0 && h > 0 ? w * h / (aw * ah + bw * bh - w * h) : 0
}
FNR == NR && FNR == 1 { for (i = 1; i <= NF; i++) col[$i] = i; next }
FNR == NR {
    p = $1; n_truth++; burst[p] = $2; scene[p] = $3; kind[p] = $6; mark[p] = $7
    for (s = 0; s < 2; s++) {
        b = s == 0 ? "" : "2"; pass = $col["pass" b]
        if (pass + 0 == 0) continue
        seen[p]++
        tp[p, s] = pass; bx[p, s] = $col["x" b]; by[p, s] = $col["y" b]; bw[p, s] = $col["w" b]; bh[p, s] = $col["h" b]
        blur[p, s] = $col["blur" b]; complete[p, s] = $col["complete" b]; cut[p, s] = $col["cut" b]; landed[p, s] = $col["landed" b]
        if ($2 != "single" && complete[p, s] && (!landed[p, s] || scene[p] == "perch")) {
            key = $2 SUBSEP pass
            list[key] = list[key] " " blur[p, s]
            if (!(key in least) || blur[p, s] < least[key]) least[key] = blur[p, s]
            if (!(key in order)) { order[key] = ++n_keys; name[n_keys] = key }
        }
    }
    next
}
FNR == 1 { next }
{
    p = $4; n_list++
    if (!(p in burst)) { fail(p " is listed but not on the card"); next }
    proposal = $9; outcome = $11; reason = $12
    if (burst[p] == "single" || kind[p] == "truncated" || kind[p] == "zero" || kind[p] == "heif") {
        if (proposal != "none") fail(p " (" kind[p] ", " burst[p] ") is proposed to be " proposal)
    }
    if ((mark[p] == "protected" || mark[p] == "rated") && outcome != "keep") fail(p " is " mark[p] " and comes out as " outcome)
    best = -1; bo = 0
    for (s = 0; s < 2; s++)
        if ((p, s) in tp && $13 != "") {
            o = overlap($13, $14, $15, $16, bx[p, s], by[p, s], bw[p, s], bh[p, s])
            if (o > bo) { bo = o; best = s }
        }
    if (best >= 0) { iou += bo; n_iou++ }
    if (proposal == "keep") {
        kept++
        if (!seen[p]) fail(p " (" burst[p] ") is kept and empty")
        else if (best >= 0 && cut[p, best]) fail(p " (" burst[p] ") is kept and cut by the edge")
        if (burst[p] == "soft") fail(p " of the burst that is never sharp is kept")
        keeps[burst[p]]++
    }
    for (s = 0; s < 2; s++)
        if ((p, s) in tp && complete[p, s] && burst[p] != "single") {
            n_complete++
            if (reason == "no-subject") { unseen++; unseen_list = unseen_list " " p; break }
        }
    if (burst[p] == "soft" && reason == "nothing-sharp") says_soft++
    if ($8 == 1 && best >= 0) top[burst[p], tp[p, best]] = top[burst[p], tp[p, best]] " " blur[p, best]
    if ($8 == 1 && best < 0 && proposal == "keep") fail(p " (" burst[p] ") is on top and its box holds no bird")
}
function third(key,   v, n, i, j, t) {
    n = split(list[key], v, " ")
    for (i = 2; i <= n; i++) for (j = i; j > 1 && v[j] + 0 < v[j - 1] + 0; j--) { t = v[j]; v[j] = v[j - 1]; v[j - 1] = t }
    return v[min(3, n)] + 0
}
END {
    for (k = 1; k <= n_keys; k++) {
        key = name[k]; split(key, part, SUBSEP)
        if (least[key] > SHARP) continue
        passes++; t = third(key); m = split(top[key], v, " "); regret = -1; good = 0
        for (i = 1; i <= m; i++) { if (v[i] + 0 <= t + TIE) good = 1; if (regret < 0 || v[i] - least[key] < regret) regret = v[i] - least[key] }
        if (m == 0) fail(part[1] " pass " part[2] ": no frame on top")
        else if (!good) fail(sprintf("%s pass %s: top frame %.2f px, best three up to %.2f px", part[1], part[2], v[1], t))
        else hits++
        printf "%-10s pass %s: best %.2f px, third %.2f px, regret of the top %s px\n", part[1], part[2], least[key], t, m ? sprintf("%.2f", regret) : "-"
    }
    if (n_list != n_truth) fail(n_list " frames listed, " n_truth " on the card")
    if (!says_soft) fail("the burst that is never sharp does not say so")
    if (!keeps["perch"]) fail("the perch burst keeps none")
    if (unseen > n_complete / 1000) fail(unseen " of " n_complete " complete frames are called no-subject:" unseen_list)
    printf "%d of %d passes right, %d kept, mean overlap of boxes %.2f, %d of %d complete frames called no-subject\n", hits, passes, kept, n_iou ? iou / n_iou : 0, unseen, n_complete
    exit wrong > 0
}
