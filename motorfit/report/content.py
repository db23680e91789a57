"""A fit as plain data, for `--json` and for programs that read it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from typing import Any

from motorfit.estimation.result import Fit
from motorfit.profile.storage import profile_text
from motorfit.report.changes import Changes
from motorfit.report.screen import reading_cautions


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


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value
