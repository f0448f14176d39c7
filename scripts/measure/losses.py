"""What the networks over strips are punished for."""
import torch
from torch.nn import functional as F

from networks import COLUMNS, FORM, MORE, MORE_ERRORS, ROWS, SCALE
from strips import BEHIND, PER_WIDTH

#: weights of readings, end, sheared look, verdict, form, further readings
WEIGHTS = (1.0, 0.6, 0.25, 0.2, 0.15, 0.15)


def laplace(value, log_error, truth, weight):
    """Mean negative log likelihood of what is known: the reading goes to the median, its spread to the mean absolute error."""
    known = (~torch.isnan(truth)).float() * weight[:, None]
    gap = (value - torch.nan_to_num(truth)).abs().clamp(max=40)
    log_b = log_error.clamp(-4, 3)
    return ((gap * torch.exp(-log_b) + log_b) * known).sum() / known.sum().clamp(min=1)


def asked(logit, truth, on):
    """Cross-entropy of a yes or no where it is asked."""
    return (F.binary_cross_entropy_with_logits(logit, truth, reduction="none") * on).sum() / on.sum().clamp(min=1)


def of_readings(out, b):
    """Losses of a regression's answer in the order of WEIGHTS."""
    unit = torch.tensor(SCALE, device=out.device)
    weight = torch.where(b.gradable == 0, 0.5, 1.0)
    told = (b.sheared >= 0).float() * weight
    form = (b.form >= 0).float() * weight
    clear = (b.gradable >= 0).float() * (b.is_end < 1).float()
    return (laplace(out[:, :6], out[:, 6:12], b.read / unit, weight), asked(out[:, 12], b.is_end.clamp(0, 1), (b.is_end > -1).float()),
            asked(out[:, 13], b.sheared.clamp(0, 1) * 0.96 + 0.02, told), asked(out[:, 14], b.gradable.clamp(0, 1), clear),
            (F.cross_entropy(out[:, FORM], b.form.clamp(min=0), reduction="none", label_smoothing=0.03) * form).sum() / form.sum().clamp(min=1),
            laplace(out[:, MORE], out[:, MORE_ERRORS], b.more, weight))


def of_maps(maps, b, taught):
    """How far outlines are from the truth; where own fibre is hidden, from a teacher's (or from what the band of `hide` covers)."""
    own, hidden, known = b.maps.unbind(1)
    below = getattr(b, "below", torch.full_like(own, -1))
    truth = torch.where(below >= 0, below, torch.where(hidden > 0, taught, own))
    weight = known * torch.where((hidden > 0) & (below < 0), 0.3, 1.0)
    cross = lambda logit, goal, on: (F.binary_cross_entropy_with_logits(logit, goal, reduction="none") * on).sum() / on.sum().clamp(min=1)
    row, column = b.read[:, 2] * PER_WIDTH + BEHIND, b.read[:, 3] * PER_WIDTH + (COLUMNS - 1) / 2
    i, j = torch.arange(ROWS, device=own.device)[None, :, None], torch.arange(COLUMNS, device=own.device)[None, None, :]
    heat = torch.exp(-((i - row[:, None, None]) ** 2 + (j - column[:, None, None]) ** 2) / (2 * 1.5 ** 2))
    on = (~torch.isnan(row)).float()[:, None, None] * (known.amax((1, 2), keepdim=True) > 0)
    heat = torch.nan_to_num(heat)
    return cross(maps[:, 0], truth, weight) + 0.4 * cross(maps[:, 1], own, known) + 0.6 * cross(maps[:, 2], heat, (1 + 20 * heat) * on)
