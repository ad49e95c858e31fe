"""Make-ups of a section in competition: judged by BIC with the survey's own sigma."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from loft.drawing.conic import ConicFit
from loft.drawing.solve import Fit

WITHIN = 6.0  # difference of BIC below which a make-up is an alternative
BENT = -1e-6  # 1/mm: a curvature below this is hollow
LEAST_LENGTH = 12.0  # mm: a shorter element is an artefact of the search


@dataclass(frozen=True, eq=False, kw_only=True)
class Choice:
    """One make-up of the section, fitted.

    Parameters
    ----------
    fit : Fit
    bic : float
        Cost + unknowns log(rows).
    p : float
        Chance of a cost so large if the make-up and the sigmas are right.
    sound : bool
        False where an element is hollow or all but vanishes: an artefact.
    """

    fit: Fit
    bic: float
    p: float
    sound: bool

    @property
    def rank(self) -> float:
        """Return what free fits are chosen by: BIC with every join counted once more.

        A join has two figures and a place that was searched for. J. H. Friedman,
        "Multivariate Adaptive Regression Splines", 1991, section 3.6, charges a searched
        knot two to four figures, about three (from memory).
        """
        return self.bic + (len(self.fit.chain) - 1) * float(np.log(len(self.fit.row)))

    @property
    def arcs(self) -> int:
        """Return the number of arcs, reverse curves left out."""
        return len(self.fit.chain) - self.straights - self.hollows

    @property
    def straights(self) -> int:
        """Return the number of straights."""
        return sum(self.fit.task.straight)

    @property
    def hollows(self) -> int:
        """Return the number of reverse curves."""
        return int((self.fit.chain.curvature < BENT).sum())

    def words(self) -> str:
        """Return the make-up in words.

        Examples
        --------
        >>> [_count(1, "arc"), _count(2, "straight")]
        ['1 arc', '2 straights']
        """
        parts = [_count(self.arcs, "arc")]
        if self.straights:
            parts.append(_count(self.straights, "straight"))
        if self.hollows:
            parts.append(_count(self.hollows, "reverse curve"))
        return " and ".join(parts)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


@dataclass(frozen=True, eq=False, kw_only=True)
class Arcs:
    """The free fit of a section.

    Parameters
    ----------
    best : Choice
        Fewest arcs and straights by BIC, every join counted once more.
    alternatives : tuple of Choice
        Every other sound make-up within 6 of it, best first.
    tried : tuple of Choice
        All that were fitted, by BIC.
    conics : tuple of ConicFit
        The rival: two conics a side, without and with an upright straight, by BIC.
        Empty where it was not asked for.
    """

    best: Choice
    alternatives: tuple[Choice, ...]
    tried: tuple[Choice, ...]
    conics: tuple[ConicFit, ...] = ()

    def words(self) -> str:
        """Return what the section was struck with, and what cannot be ruled out.

        Examples
        --------
        >>> from loft.drawing.search import fit_arcs
        >>> angle = np.linspace(0.05, 3.1, 30)
        >>> oval = np.stack([500.0 * np.sin(angle), 700.0 * np.cos(angle)], axis=-1)
        >>> fit_arcs(oval, 0.3).words()
        'two conics a side'
        """
        found = [(self.best.bic, self.best.words())]
        found += [(one.bic, one.words()) for one in self.alternatives]
        found += [(one.bic, one.words()) for one in self.conics]
        found.sort()
        near = [words for bic, words in found if bic < found[0][0] + WITHIN]
        return " or ".join(dict.fromkeys(near))


def judged(fit: Fit, *, hollow: bool = False) -> Choice:
    """Return a fit with its BIC and whether it is sound."""
    unknowns, count = fit.task.unknowns, len(fit.row)
    return Choice(
        fit=fit,
        bic=fit.cost + unknowns * np.log(count),
        p=float(chdtrc(max(count - unknowns, 1), fit.cost)),
        sound=is_sound(fit, hollow=hollow),
    )


def is_sound(fit: Fit, *, hollow: bool = False) -> bool:
    """Tell whether no element all but vanishes and none is hollow that may not be."""
    bends = hollow or not (fit.chain.curvature < BENT).any()
    return bool(bends and not (fit.chain.length < LEAST_LENGTH).any())


def ranked(choices: list[Choice]) -> Arcs:
    """Return the best sound choice by rank, those within 6 of it and all of them, by BIC."""
    best = min(choices, key=lambda choice: (not choice.sound, choice.rank))
    order = sorted(choices, key=lambda choice: (not choice.sound, choice.bic))
    rest = [choice for choice in order if choice is not best]
    near = tuple(choice for choice in rest if choice.sound and choice.bic < best.bic + WITHIN)
    return Arcs(best=best, alternatives=near, tried=tuple(order))
