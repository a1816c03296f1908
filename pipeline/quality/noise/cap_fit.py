"""A weld's cap in one profile across it: where it is sought, and the fit that places its toes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model import FloatArray
from pipeline.quality.noise.cap_shapes import CapShapes
from pipeline.quality.noise.known_medians import known_medians

_STEPS = 30
_LEAST_HALF_WIDTH_MM = 1.5
_SIDE = 1.2  # half widths of wall that are fitted on both sides
_OUTLIER = 4.685  # Tukey's biweight, the usual constant for 95 % efficiency
_POWERS = (0.5, 0.65, 0.8, 1.0, 1.3)
_ROOTS = (0.2, 0.3, 0.45)
_TRIED = 24  # profiles by which the form is chosen
_FEWEST_BINS = 12  # that a fit of six values needs
_RIDGE = 1e-12  # of a term's own weight: so that a term without effect does no harm


@dataclass(frozen=True, slots=True)
class CapForm:
    """How a cap is rounded: (1 − x²)^``power`` with x from −1 to 1 between the toes; the root bead
    under it is a raised cosine of ``root`` times the cap's width."""

    power: float = 0.8
    root: float = 0.3


@dataclass(frozen=True, slots=True)
class CapFit:
    """A fitted cap, with standard deviations; ``height`` in logarithms of gray values."""

    centre_mm: float
    centre_sigma_mm: float
    half_width_mm: float
    half_width_sigma_mm: float
    height: float
    height_sigma: float
    misfit: float  # root mean square of what counts


def find_caps(z_mm: FloatArray, profiles: FloatArray) -> list[tuple[float, float] | None]:
    """Roughly (centre, half width) of the cap in each profile (places, bins); None where none is.

    Of all parabolas on a straight base line that which takes most of the profile's variance. NaN
    bins are filled from their neighbours; a profile with less than half its bins has no cap.
    """
    known = np.isfinite(profiles)
    span = float(z_mm[-1] - z_mm[0])
    sizes = np.geomspace(_LEAST_HALF_WIDTH_MM, max(span / 3, 1.6 * _LEAST_HALF_WIDTH_MM), 14)
    trials = [
        (float(centre), float(size))
        for size in sizes
        for centre in np.arange(z_mm[0] + size, z_mm[-1] - size, size / 6)
    ]
    if not trials or len(z_mm) < 8:
        return [None] * len(profiles)
    domes = np.stack([np.maximum(1 - ((z_mm - c) / w) ** 2, 0) for c, w in trials])
    line, _ = np.linalg.qr(np.stack([np.ones_like(z_mm), z_mm], axis=1))
    domes -= domes @ line @ line.T
    domes /= np.linalg.norm(domes, axis=1, keepdims=True)
    enough = known.mean(axis=1) >= 0.5
    filled = np.where(enough[:, np.newaxis], profiles, 0.0)
    for place in np.flatnonzero(enough & ~known.all(axis=1)):
        good = known[place]
        filled[place] = np.interp(z_mm, z_mm[good], profiles[place, good])
    # Lead is darker than any cap: what stands out further than that counts as much as one.
    middle, dark = np.quantile(filled, (0.5, 0.9), axis=1, keepdims=True)
    filled = np.minimum(filled, middle + 2 * (dark - middle) + 1e-6)
    taken = filled @ domes.T
    best = taken.argmax(axis=1)
    return [
        trials[int(at)] if enough[place] and taken[place, at] > 0 else None
        for place, at in enumerate(best)
    ]


def choose_form(
    z_mm: FloatArray, profiles: FloatArray, begun: Sequence[tuple[float, float] | None]
) -> CapForm:
    """The form that usually leaves least of some profiles, evenly apart: first how the cap is
    rounded, then how wide the root is. The usual one where no cap was found.

    Profiles of single places tell it better than smoothed ones, whose toes are blurred.
    """
    have = [place for place, one in enumerate(begun) if one is not None]
    tried = have[:: max(1, len(have) // _TRIED)]

    def best(forms: Sequence[CapForm]) -> CapForm:
        places = tried * len(forms)
        each = [form for form in forms for _ in tried]
        fits = fit_caps(z_mm, profiles[places], [begun[place] for place in places], each)
        misfits = []
        for number in range(len(forms)):
            mine = fits[number * len(tried) : (number + 1) * len(tried)]
            told = [max(fit.misfit, 1e-12) for fit in mine if fit is not None]
            misfits.append(float(np.log(told).mean()) if told else np.inf)
        return forms[int(np.argmin(misfits))]

    if not tried:
        return CapForm()
    cap = best([CapForm(power=power) for power in _POWERS])
    return best([CapForm(cap.power, root) for root in _ROOTS])


def fit_caps(
    z_mm: FloatArray,
    profiles: FloatArray,
    begun: Sequence[tuple[float, float] | None],
    forms: Sequence[CapForm],
) -> list[CapFit | None]:
    """The cap near each ``begun`` (centre, half width) in its profile, least squares with outliers
    down-weighted by Tukey's biweight; None where the fit doesn't settle on a cap within the
    profile, or nothing was begun with.

    ``profiles`` (places, bins) are −ln of gray values, NaN where nothing is known; ``z_mm`` are the
    bins' middles, evenly apart. All are fitted at once, each as if it were alone.
    """
    found: list[CapFit | None] = [None] * len(begun)
    places = [place for place, one in enumerate(begun) if one is not None]
    if not places or len(z_mm) < _FEWEST_BINS:
        return found
    state = np.array([one for one in begun if one is not None], dtype=np.float64)
    near = _near(z_mm, profiles[places], state)
    enough = near.used.sum(axis=1) >= _FEWEST_BINS
    places = [place for place, good in zip(places, enough, strict=True) if good]
    if not places:
        return found
    shapes = CapShapes(
        np.array([forms[place].power for place in places]),
        np.array([forms[place].root for place in places]),
        float(z_mm[1] - z_mm[0]),
    )
    for place, fit in zip(places, _settled(near.of(enough), state[enough], shapes), strict=True):
        found[place] = fit
    return found


@dataclass(frozen=True, slots=True)
class _Near:
    """The bins about each cap: places, values (0 where not used), which are used; (caps, bins)."""

    z: FloatArray
    y: FloatArray
    used: NDArray[np.bool_]

    def of(self, which: NDArray[Any]) -> _Near:
        return _Near(self.z[which], self.y[which], self.used[which])


def _near(z_mm: FloatArray, profiles: FloatArray, state: FloatArray) -> _Near:
    """Cap and wall on both sides, as many bins for all."""
    bin_mm = float(z_mm[1] - z_mm[0])
    reach = (1 + _SIDE) * 1.3 * state[:, 1]
    first = np.ceil((state[:, 0] - reach - z_mm[0]) / bin_mm - 1e-9).astype(np.int64)
    last = np.floor((state[:, 0] + reach - z_mm[0]) / bin_mm + 1e-9).astype(np.int64)
    first, last = np.maximum(first, 0), np.minimum(last, len(z_mm) - 1)
    at = first[:, np.newaxis] + np.arange(max(int((last - first).max()) + 1, 1))
    inside = at <= last[:, np.newaxis]
    y = np.take_along_axis(profiles, np.minimum(at, len(z_mm) - 1), axis=1)
    used = inside & np.isfinite(y)
    return _Near(z_mm[0] + at * bin_mm, np.where(used, y, 0.0), used)


def _settled(near: _Near, state: FloatArray, shapes: CapShapes) -> list[CapFit | None]:
    """Gauss's and Newton's steps, each cap until it settles."""
    least, most = 0.5 * state[:, 1], 2.0 * state[:, 1]
    weight = near.used.astype(np.float64)
    residual, jacobian, linear = _linearised(near, weight, state, shapes)
    moving = np.arange(len(state))
    for step in range(_STEPS):
        _, move = _least_squares(jacobian[moving], weight[moving], residual[moving])
        bound = 0.3 * state[moving, 1:]
        move = np.clip(move[:, :2], -bound, bound)
        state[moving] += move
        state[moving, 1] = np.clip(state[moving, 1], least[moving], most[moving])
        some = near.of(moving)
        told = _linearised(some, weight[moving], state[moving], shapes.of(moving))
        residual[moving], jacobian[moving], linear[moving] = told
        off = np.where(some.used, np.abs(told[0]), np.nan)
        spread = 1.4826 * known_medians(off) + 1e-12
        part = told[0] / (_OUTLIER * spread[:, np.newaxis])
        weight[moving] = some.used * np.maximum(1 - part**2, 0) ** 2
        if step > 3:
            moving = moving[np.abs(move).max(axis=1) >= 1e-2 * shapes.bin_mm]
        if not len(moving):
            break
    total = weight.sum(axis=1)
    good = (least < state[:, 1]) & (state[:, 1] < most) & (total >= _FEWEST_BINS - 2)
    misfit = np.sqrt((weight * residual**2).sum(axis=1) / np.maximum(total - 6, 1))
    inverse, _ = _least_squares(jacobian, weight, residual)
    variance = np.diagonal(inverse, axis1=1, axis2=2) * _alike(residual, weight)[:, np.newaxis]
    sigma = np.sqrt(variance) * misfit[:, np.newaxis]
    rows = np.column_stack(
        [state[:, 0], sigma[:, 0], state[:, 1], sigma[:, 1], linear[:, 2], sigma[:, 4], misfit]
    )
    return [CapFit(*row) if fine else None for row, fine in zip(rows.tolist(), good, strict=True)]


def _least_squares(
    terms: FloatArray, weight: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Of each cap the inverse of the normal equations of ``terms`` (caps, bins, n), and the best
    coefficients; a term that says nothing gets none."""
    weighted = terms * weight[..., np.newaxis]
    normal = weighted.transpose(0, 2, 1) @ terms
    scale = np.sqrt(np.diagonal(normal, axis1=1, axis2=2))
    scale = 1 / np.maximum(scale, 1e-12)
    normal = normal * scale[:, :, np.newaxis] * scale[:, np.newaxis, :]
    inverse = np.linalg.inv(normal + _RIDGE * np.eye(terms.shape[2]))
    inverse = inverse * scale[:, :, np.newaxis] * scale[:, np.newaxis, :]
    right = weighted.transpose(0, 2, 1) @ y[..., np.newaxis]
    return np.asarray(inverse), np.asarray((inverse @ right)[..., 0])


def _linearised(
    near: _Near, weight: FloatArray, state: FloatArray, shapes: CapShapes
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Residual at the best base line and heights, the derivatives by centre, half width and those
    four, and the four: level, slope, height of cap and of root."""
    cap, root = shapes.at(near.z, state)
    slope = (near.z - state[:, :1]) / state[:, 1:]
    base = np.stack([np.ones_like(slope), slope, cap.value, root.value], axis=2)
    _, linear = _least_squares(base, weight, near.y)
    heights = linear[:, 2:, np.newaxis]
    by_centre = heights[:, 0] * cap.by_centre + heights[:, 1] * root.by_centre
    by_width = heights[:, 0] * cap.by_half_width + heights[:, 1] * root.by_half_width
    residual = near.y - (base @ linear[..., np.newaxis])[..., 0]
    jacobian = np.concatenate([np.stack([by_centre, by_width], axis=2), base], axis=2)
    return np.where(near.used, residual, 0.0), jacobian, linear


def _alike(residual: FloatArray, weight: FloatArray) -> FloatArray:
    """By what residuals that are alike side by side raise a variance, at least 1; (caps,)."""
    good = np.where(weight > 0, residual, 0.0)
    power = np.maximum((good * good).sum(axis=1), 1e-300)
    reach = (weight > 0).sum(axis=1) // 4
    total = np.ones(len(good))
    on = np.ones(len(good), dtype=np.bool_)
    for lag in range(1, good.shape[1] // 4):
        shared = (good[:, lag:] * good[:, :-lag]).sum(axis=1) / power
        on &= (shared > 0.05) & (lag < reach)
        if not on.any():
            break
        total += np.where(on, 2 * shared, 0.0)
    return total
