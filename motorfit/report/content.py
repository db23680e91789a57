"""A fit as plain data, for `--json` and for programs that read it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, fields, is_dataclass
from typing import Any

import numpy as np

from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.heating_result import Heating
from motorfit.estimation.result import Fit
from motorfit.profile.storage import profile_text
from motorfit.report.changes import Changes
from motorfit.report.coast_words import samples_of, sheet_of
from motorfit.report.screen import reading_cautions
from motorfit.report.thinning import MOST_DRAWN, some_of


def fit_content(fit: Fit, changes: Changes | None = None) -> dict[str, Any]:
    """What a fit holds, as dicts, lists, texts and numbers.

    Parameters
    ----------
    fit : Fit
        The fit.
    changes : Changes, optional
        What changed since the profile that was there before.

    Returns
    -------
    dict
        Ready for JSON: SI throughout, and null for a number that is not finite.
    """
    content: dict[str, Any] = {
        "profile": json.loads(profile_text(fit.profile)),
        "level": fit.level,
        "answers": fit.answers,
        "findings": fit.findings,
        "cautions": reading_cautions(fit),
        "widths": fit.widths,
        "advice": fit.advice,
        "loss": fit.loss,
        "scatter": fit.scatter,
        "terms": fit.terms,
        "robust": fit.robust,
        "residuals": fit.residuals,
        "counts": fit.counts,
        "coast_downs": [_coast_down(fit, one) for one in fit.coast_downs],
        "heating": None if fit.heating is None else _heating(fit.heating),
        "breakaway": fit.breakaway,
        "torque_constant": fit.torque_constant,
        "unused": fit.unused,
        "not_filled_in": fit.bench.not_filled_in,
        "assumed": fit.profile.provenance.assumed,
        "chi_square": fit.chi_square,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "changes": None if changes is None else changes.says(),
    }
    plain = _plain(content)
    assert isinstance(plain, dict)
    return plain


def _coast_down(fit: Fit, coasted: CoastDown) -> dict[str, Any]:
    """A log by what it was reduced to, and a curve that is good to draw."""
    content: dict[str, Any] = {
        name: getattr(coasted, name)
        for name in ("file", "quantity", "loaded", "problem", "friction", "speed", "loss")
    }
    found = coasted.retardation
    if found is None:
        return content
    content |= {name: getattr(found, name) for name in _REDUCED}
    content["log_samples"] = samples_of(sheet_of(fit, coasted))
    content["left_out"] = [
        {"reason": one.reason, "count": one.count, "first_row": one.rows[0]}
        for one in found.left_out
        if one.rows
    ]
    kept = np.flatnonzero(found.kept)
    few = kept[some_of(len(kept), MOST_DRAWN)]
    content["curve"] = {
        name: getattr(found, name)[few] for name in ("time", "shown", "fitted", "residual")
    }
    return content


_REDUCED = (
    *("nodes", "rates", "covariance", "degrees_of_freedom", "current"),
    *("samples", "effective", "correlation", "scatter"),
    *("curvature", "curvature_uncertainty", "misfit", "ripple"),
)


def _heating(heating: Heating) -> dict[str, Any]:
    """A heat run; of a long one, and of its curve, some points."""
    content = {
        one.name: getattr(heating, one.name)
        for one in fields(heating)
        if one.name not in ("parts", "findings", "widths", *_LOGGED, *_CURVE)
    }
    read = some_of(len(heating.time), MOST_DRAWN)
    drawn = some_of(len(heating.curve_time), MOST_DRAWN)
    content["readings"] = {name: getattr(heating, name)[read] for name in _LOGGED}
    content["curve"] = {
        name.removeprefix("curve_"): getattr(heating, name)[drawn] for name in _CURVE
    }
    return content


_LOGGED = ("time", "temperature", "fitted")
_CURVE = ("curve_time", "curve", "curve_low", "curve_high")


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, (np.ndarray, np.generic)):
        return _plain(value.tolist())
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value
