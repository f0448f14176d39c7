"""How good networks over strips are on pictures that are only judged."""
import numpy as np
import torch

from losses import of_maps
from networks import FORM, NAMES, SUBTYPES
from soil import norm
from truth import FORM as FORM_COLUMN
from truth import LOOKS, LOOK, SHEARED, WIDTH


def answers(net, data, unit):
    """For all hits: what the network answers as they are told, then where its reading puts them, and the truth of both."""
    first, again, reads, reads_again = [], [], [], []
    for part in torch.arange(len(data.hits), device=data.device).split(512):
        b = data.at_hits(part)
        out = net(norm(b.image))
        hits = data.hits[part]
        r = out[:, :6] * unit
        a = torch.deg2rad(hits[:, 3])
        told = (hits[:, 1] + hits[:, 4] * (r[:, 2] * torch.cos(a) - r[:, 3] * torch.sin(a)), hits[:, 2] + hits[:, 4] * (r[:, 2] * torch.sin(a) + r[:, 3] * torch.cos(a)),
                hits[:, 3] + r[:, 1], hits[:, 4] * torch.exp(r[:, 0]))
        ends = data.ends[hits[:, 6].long().clamp(min=0)]
        first.append(out)
        again.append(net(norm(data.cut(hits[:, 0].long(), *told))))
        reads.append(b.read)
        reads_again.append(data.reading(told, ends))
    return tuple(torch.cat(t) for t in (first, again, reads, reads_again))


def regression(net, data, unit):
    """Medians of the errors on gradable ends: hits as told, then where the reading puts them; F1 of hits; look and form."""
    net.eval()
    with torch.no_grad():
        out, again, read, read_again = answers(net, data, unit)
    net.train()
    on = data.hits[:, 6] >= 0
    ends = data.ends[data.hits[:, 6].long().clamp(min=0)]
    text = []
    for name, o, r in (("told", out, read), ("again", again, read_again)):
        gap = (o[:, :6] * unit - r).abs()
        text.append(name + " " + " ".join(f"{n} {gap[on & ~torch.isnan(r[:, k]), k].median():.3f}" for k, n in enumerate(NAMES)))
    gap = again[:, 0] * unit[0] - read_again[:, 0]
    for k, look in enumerate(LOOKS):
        m = on & (ends[:, LOOK] == k) & (ends[:, WIDTH] >= 15)
        if m.any():
            text.append(f"{look} {gap[m].abs().median():.3f}/{gap[m].median():+.3f}")
    text.append(f"holds {(gap.abs() < 3 * torch.exp(again[:, 6].clamp(-4, 3)) * unit[0])[on].float().mean():.3f}")
    asked, total = data.hits[:, 6] != -2, int((data.ends[:, 8] > 0).sum())
    for name, score in (("detector", data.hits[:, 5]), ("strip", out[:, 12]), ("both", data.hits[:, 5] + out[:, 12])):
        text.append(f"{name} F1 {best_f1(data, score, asked, total):.3f}")
    good = on & (ends[:, SHEARED] >= 0)
    text.append(f"look {((again[:, 13] > 0).float() == ends[:, SHEARED])[good].float().mean():.3f}")
    form = again[:, FORM].argmax(1)
    known = on & (ends[:, FORM_COLUMN] >= 0)
    text.append("form " + " ".join(f"{name} {(form == k)[m].float().mean():.2f}/{int(m.sum())}" for k, name in enumerate(SUBTYPES) if (m := known & (ends[:, FORM_COLUMN] == k)).any()))
    return " | ".join(text)


def segmentation(net, data, teacher):
    """Loss of the outlines, and the median overlap (intersection over union) of own fibre in view, on hits on ends."""
    net.eval()
    rows = torch.nonzero(data.hits[:, 6] >= 0)[:2048, 0]
    overlap, loss = [], []
    with torch.no_grad():
        for part in rows.split(512):
            b = data.at_hits(part)
            x = norm(b.image)
            maps = net(x)
            loss.append(float(of_maps(maps, b, torch.sigmoid(teacher(x)[0][:, 0]) if teacher else b.maps[:, 0])))
            told, own = (maps[:, 1] > 0) & (b.maps[:, 2] > 0), (b.maps[:, 0] > 0.5) & (b.maps[:, 2] > 0)
            overlap.append((told & own).sum((1, 2)) / (told | own).sum((1, 2)).clamp(min=1))
    net.train()
    return f"maps {np.mean(loss):.4f} overlap {torch.cat(overlap).median():.3f} (tenth {torch.cat(overlap).quantile(0.1):.3f})" if overlap else "no hits on ends"


def best_f1(data, score, asked, total):
    """Best F1 over all thresholds; each end counts once, further hits on it are false."""
    order = torch.argsort(score, descending=True)
    order = order[asked[order]]
    on = data.hits[order, 6].long().cpu().numpy()
    seen, hit = set(), np.zeros(len(on))
    for i, e in enumerate(on):
        if e >= 0 and e not in seen:
            seen.add(e)
            hit[i] = 1
    hits = np.cumsum(hit)
    return float((2 * hits / (np.arange(1, len(hits) + 1) + total)).max()) if len(hits) else 0.0
