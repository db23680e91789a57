r"""Which suspicions the residuals bear out: scores, and a search for the best explanation.

A gross fault inflates the scales of the scatter and so hides itself. Each of the few best
suspicions is therefore judged (`motorfit.estimation.judging`) with scales that are estimated
with its own direction in the design, by Student's distribution with the degrees of freedom
of those scales, and Bonferroni's allowance for the number of suspicions in the family.

References
----------
.. [1] R. D. Cook, S. Weisberg, Residuals and Influence in Regression (1982): externally
   studentised residuals.
.. [2] B. Rosner, Technometrics 25 (1983) 165: several at once, so that none hides another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtr

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.estimation.ground import Suspicion
from motorfit.estimation.joint import Joint
from motorfit.estimation.judging import Judged, judge, likelihood, with_directions
from motorfit.estimation.scatter import (
    Projected,
    Scales,
    Stacked,
    estimate_scales,
    project,
)
from motorfit.estimation.suspicions import LEVELS

#: Log variances to 5 % are enough to judge by.
_ROUGHLY = 0.05

#: A suspicion is looked at closely when its rough chance, in its family, is below this.
_LOOK = 0.15

#: So many are looked at closely in one round ...
_SHORTLIST = 4

#: ... no two of one family nearer to each other than this correlation of their sizes.
_ALIKE = 0.98

#: What correlates so much with a single reading comes after that reading, by this log of odds.
_LEANS, _LEANING = 0.95, -6.0

#: Explanations are as good as each other within this difference of log likelihood.
_NEARLY = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """A suspicion that the residuals bear out, judged with all others allowed for."""

    suspicion: Suspicion
    size: float
    deviation: float
    score: float
    freedom: float
    chance: float  # on a clean bench, among all suspicions of the family


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explained:
    """What the search found, and the bench with that allowed for."""

    verdicts: tuple[Verdict, ...]
    stack: Stacked  # the verdicts' directions joined to the design
    scales: Scales
    projected: Projected
    alike: tuple[tuple[Verdict, ...], ...]  # for each verdict, what explains nearly as much
    joint: Joint  # the fit that the stack is linear about


class _Search:
    """Forward search over all suspicions, and a look back."""

    def __init__(self, joint: Joint, suspicions: Sequence[Suspicion]) -> None:
        self.joint, self.suspicions = joint, suspicions
        self.directions = np.column_stack([each.direction for each in suspicions])
        family = [each.family for each in suspicions]
        self.count = np.array([family.count(name) for name in family], dtype=float)
        self.level = np.array([LEVELS[name] for name in family])
        self.positive = np.array([each.positive for each in suspicions])
        self.most = np.array([each.most for each in suspicions])
        self.prior = np.log(self.level / self.count) + [each.prior for each in suspicions]
        self.prior += np.where(self._leans_on_one_reading(), _LEANING, 0.0)

    def _leans_on_one_reading(self) -> BoolArray:
        """Which suspicions of many readings look like a single one of them, (M,)."""
        pulled = self.joint.projected.projection @ self.directions
        size = np.sqrt(np.maximum(np.einsum("nm,nm->m", self.directions, pulled), 1e-300))
        single = np.array([len(each.rows) == 1 for each in self.suspicions])
        likeness = np.abs(self.directions.T @ pulled[:, single]) / size[:, None] / size[single]
        return np.asarray(~single & (np.max(likeness, axis=1, initial=0.0) > _LEANS))

    def stack(self, accepted: Sequence[int]) -> Stacked:
        """The bench with accepted suspicions allowed for."""
        return with_directions(self.joint.stack, [self.directions[:, place] for place in accepted])

    def scales(self, accepted: Sequence[int], start: Scales) -> Scales:
        """Of the scatter, accepted suspicions allowed for."""
        if not accepted:
            return self.joint.scales
        return estimate_scales(self.stack(accepted), start.log_variance, tolerance=_ROUGHLY)

    def chances(self, judged: Judged, places: IntArray) -> FloatArray:
        """On a clean bench, among all suspicions of the same family."""
        two_sided = 2.0 * stdtr(judged.freedom, -np.abs(judged.score))
        one_sided = np.where(judged.score > 0, 0.5 * two_sided, 1.0)
        chance = np.where(self.positive[places], one_sided, two_sided)
        senseless = np.abs(judged.size) > self.most[places]
        return np.where(senseless, 1.0, np.minimum(1.0, self.count[places] * chance))

    def shortlist(self, accepted: Sequence[int], scales: Scales) -> list[int]:
        """What deserves a close look, by scores as if the scales were external."""
        stack = self.stack(accepted)
        judged = judge(stack, scales, self.directions)
        # an internally studentised score is a function of the external one
        left = np.maximum(judged.freedom - judged.score**2, 1e-3)
        freedom = np.maximum(judged.freedom - 1.0, 0.5)
        external = replace(judged, score=judged.score * np.sqrt(freedom / left), freedom=freedom)
        chance = self.chances(external, np.arange(len(self.suspicions)))
        gain = 0.5 * (freedom + 1.0) * np.log1p(external.score**2 / freedom)
        gain = np.where(chance <= _LOOK, gain + self.prior, -np.inf)
        gain[list(accepted)] = -np.inf
        chosen: list[int] = []
        projection = project(stack, scales.log_variance).projection
        for place in np.argsort(-gain, kind="stable"):
            if len(chosen) == _SHORTLIST or not np.isfinite(gain[place]):
                break
            if not any(self._alike(projection, place, other) for other in chosen):
                chosen.append(int(place))
        return chosen

    def _alike(self, projection: FloatArray, one: int, other: int) -> bool:
        """Two of one family that hardly differ: one of them is enough to look at."""
        if self.suspicions[one].family != self.suspicions[other].family:
            return False
        pair = self.directions[:, [one, other]]
        cross = pair.T @ projection @ pair
        return bool(abs(cross[0, 1]) > _ALIKE * np.sqrt(cross[0, 0] * cross[1, 1]))

    def best(self, accepted: list[int], scales: Scales) -> tuple[int, Scales] | None:
        """The suspicion that makes the readings likeliest; none where none is suspicious."""
        found = []
        for place in self.shortlist(accepted, scales):
            together = [*accepted, place]
            own = self.scales(together, scales)
            gain = likelihood(self.joint.stack, self.stack(together), own)
            found.append((gain + self.prior[place], place, own))
        if not found:
            return None
        _, place, own = max(found, key=lambda each: each[0])
        return place, own

    def verdict(self, place: int, others: Sequence[int], scales: Scales) -> Verdict:
        """One suspicion, the others allowed for, at scales that allow for all of them."""
        judged = judge(self.stack(others), scales, self.directions[:, [place]])
        if self.suspicions[place].family == "group":
            judged = self._among_groups(place, others, scales, judged)
        chance = self.chances(judged, np.array([place]))
        return Verdict(
            suspicion=self.suspicions[place],
            size=float(judged.size[0]),
            deviation=float(judged.deviation[0]),
            score=float(judged.score[0]),
            freedom=float(judged.freedom[0]),
            chance=float(chance[0]),
        )

    def _among_groups(
        self, place: int, others: Sequence[int], scales: Scales, judged: Judged
    ) -> Judged:
        """The rows of any setting may share something: one stands out from the other settings."""
        rows = set(self.suspicions[place].rows.tolist())
        groups = [
            number
            for number, each in enumerate(self.suspicions)
            if each.family == "group" and not rows & set(each.rows.tolist())
        ]
        if not groups:
            return judged
        apart = judge(self.stack([*others, place]), scales, self.directions[:, groups])
        shared = max(0.0, float(np.mean(apart.size**2 - apart.deviation**2)))
        own = judged.deviation**2
        variance = own + shared
        freedom = variance**2 / (own**2 / judged.freedom + shared**2 / len(groups))
        return Judged(
            size=judged.size,
            deviation=variance**0.5,
            score=judged.size / variance**0.5,
            freedom=freedom,
        )

    def forward(self, most: int) -> list[int]:
        """The best explanation, one after another, up to the last beyond chance."""
        accepted: list[int] = []
        scales, beyond_chance = self.joint.scales, 0
        equations, parameters = self.joint.stack.design.shape
        while len(accepted) < most and equations - parameters - len(accepted) > 1:
            found = self.best(accepted, scales)
            if found is None:
                break
            place, scales = found
            verdict = self.verdict(place, accepted, scales)
            accepted.append(place)
            if verdict.chance <= self.level[place]:
                beyond_chance = len(accepted)
        return accepted[:beyond_chance]

    def look_back(self, accepted: list[int]) -> tuple[list[int], list[Verdict], Scales]:
        """Leave out what the later ones explain as well."""
        while True:
            scales = self.scales(accepted, self.joint.scales)
            verdicts = [
                self.verdict(place, [other for other in accepted if other != place], scales)
                for place in accepted
            ]
            over = [
                verdict.chance / self.level[place]
                for verdict, place in zip(verdicts, accepted, strict=True)
            ]
            if not over or max(over) <= 1.0:
                return accepted, verdicts, scales
            accepted = [
                each for each, ratio in zip(accepted, over, strict=True) if ratio < max(over)
            ]

    def alike(self, place: int, accepted: Sequence[int], scales: Scales) -> tuple[Verdict, ...]:
        """Suspicions of another sort that explain nearly as much, the best of each sort."""
        others = [other for other in accepted if other != place]
        judged = judge(self.stack(others), scales, self.directions)
        senseless = (self.positive & (judged.score <= 0)) | (np.abs(judged.size) > self.most)
        gain = np.where(senseless, 0.0, 0.5 * judged.score**2)
        near = np.flatnonzero(gain > gain[place] - _NEARLY)
        own = self.suspicions[place]
        best: dict[tuple[str, str, str], int] = {}
        for other in near[np.argsort(-gain[near], kind="stable")].tolist():
            each = self.suspicions[other]
            if other not in accepted and each.sort != own.sort:
                best.setdefault(each.sort, other)
        return tuple(self.verdict(other, others, scales) for other in best.values())


def search(joint: Joint, suspicions: Sequence[Suspicion], most: int) -> Explained:
    """Search for what is wrong: the best explanation first, then of the rest.

    Parameters
    ----------
    joint : Joint
        A solved bench.
    suspicions : sequence of Suspicion
        From `motorfit.estimation.suspicions.suspects`.
    most : int
        How many are looked for.

    Returns
    -------
    Explained
        With no verdict where nothing is beyond chance.
    """
    if suspicions:
        found = _Search(joint, suspicions)
        accepted, verdicts, scales = found.look_back(found.forward(most))
        if accepted:
            stack = found.stack(accepted)
            return Explained(
                verdicts=tuple(verdicts),
                stack=stack,
                scales=scales,
                projected=project(stack, scales.log_variance),
                alike=tuple(found.alike(place, accepted, scales) for place in accepted),
                joint=joint,
            )
    return Explained(
        verdicts=(),
        stack=joint.stack,
        scales=joint.scales,
        projected=joint.projected,
        alike=(),
        joint=joint,
    )
