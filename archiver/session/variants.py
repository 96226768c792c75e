"""A machine against the known variants of its model.

A variant is excluded by a feature that is otherwise on the machine, and by a date of
making outside of what the firm evidence allows. A feature shown by a part that is
not original excludes nothing: it may have come with the part.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from archiver.session.dating import date_machine
from archiver.session.dating_words import days_in_words, listed
from archiver.session.day_set import ALL_DAYS, DaySet, days_of
from archiver.session.edtf import EdtfForm
from archiver.session.machine_record import Machine
from archiver.session.type_record import DistinguishingFeature, MachineType, Variant
from archiver.session.vocabulary import PartState

__all__ = [
    "Comparison",
    "Fit",
    "Judged",
    "Look",
    "VariantFit",
    "compare_variants",
    "date_of_fitting",
]


class Fit(enum.StrEnum):
    """How one feature of the machine stands to a variant."""

    FITS = "fits"
    AGAINST = "against"
    AGAINST_ON_LATER_PART = "against, but on a part that is not original"
    NOT_OBSERVED = "not observed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A feature judged against a variant; ``found`` is empty if it was not observed."""

    feature: str
    name: str
    expected: tuple[str, ...]
    found: str
    fit: Fit


@dataclass(frozen=True, slots=True, kw_only=True)
class VariantFit:
    """A variant with every feature that it has a say on, and its date."""

    variant: Variant
    features: tuple[Judged, ...]
    date_excludes: bool

    @property
    def fits(self) -> bool:
        """Say whether nothing excludes the variant."""
        return not self.date_excludes and all(one.fit is not Fit.AGAINST for one in self.features)


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A feature to look for: it would tell apart ``pairs`` pairs of the fitting variants."""

    feature: DistinguishingFeature
    pairs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What came of comparing a machine with the variants of its model.

    Parameters
    ----------
    model : str
        Name of the model.
    variants : tuple of VariantFit
        In the order of the type file.
    deciding : tuple of str
        Names of the features that exclude a variant, in the order of the type file.
    look_for : tuple of Look
        Features not observed yet that tell fitting variants apart, the best first.
    """

    model: str
    variants: tuple[VariantFit, ...]
    deciding: tuple[str, ...]
    look_for: tuple[Look, ...]

    @property
    def fitting(self) -> tuple[Variant, ...]:
        """The variants that nothing excludes."""
        return tuple(each.variant for each in self.variants if each.fits)

    @property
    def statement(self) -> str:
        """What fits and why, in one paragraph."""
        fitting = [each.name for each in self.fitting]
        by = f"; deciding: {listed(self.deciding)}" if self.deciding else ""
        if not fitting:
            return f"no known variant of {self.model} fits{by}"
        if len(fitting) == 1:
            return f"of the known variants of {self.model} only {fitting[0]} fits{by}"
        text = f"{len(fitting)} known variants of {self.model} fit: {listed(fitting)}{by}"
        if self.look_for:
            return f"{text}; look for: {listed([_look(each) for each in self.look_for])}"
        return f"{text}; no feature of the type file tells them apart"

    def as_json(self) -> dict[str, Any]:
        """Return the comparison as JSON."""
        return {
            "model": self.model,
            "statement": self.statement,
            "fitting": [each.id for each in self.fitting],
            "deciding": list(self.deciding),
            "look_for": [
                {"feature": each.feature.id, "name": each.feature.name, "look": each.feature.look}
                for each in self.look_for
            ],
            "variants": [
                {
                    "id": each.variant.id,
                    "name": each.variant.name,
                    "fits": each.fits,
                    "date_excludes": each.date_excludes,
                    "features": [
                        {
                            "feature": one.feature,
                            "expected": list(one.expected),
                            "found": one.found or None,
                            "fit": str(one.fit),
                        }
                        for one in each.features
                    ],
                }
                for each in self.variants
            ],
        }


def _look(look: Look) -> str:
    where = f" ({look.feature.look.rstrip('. ')})" if look.feature.look else ""
    return f"{look.feature.name}{where}"


def compare_variants(machine: Machine, machine_type: MachineType) -> Comparison:
    """Compare a machine with every variant of a type file."""
    dating = date_machine(machine)
    allowed = dating.allowed if dating is not None and dating.allowed else ALL_DAYS
    names = {feature.id: feature for feature in machine_type.features}
    fits = tuple(_fit(machine, each, names, allowed) for each in machine_type.variants)
    deciding = [
        feature.name
        for feature in machine_type.features
        if any(
            one.feature == feature.id and one.fit is Fit.AGAINST
            for each in fits
            for one in each.features
        )
    ]
    excluded_by_date = [each for each in fits if each.date_excludes]
    if excluded_by_date:
        deciding.append("the firm evidence for the date")
    return Comparison(
        model=machine_type.name,
        variants=fits,
        deciding=tuple(deciding),
        look_for=_to_look_for(machine, machine_type, [each.variant for each in fits if each.fits]),
    )


def _fit(
    machine: Machine,
    variant: Variant,
    names: dict[str, DistinguishingFeature],
    allowed: DaySet,
) -> VariantFit:
    judged: list[Judged] = []
    observed = {each.feature: each for each in machine.features}
    for each in variant.features:
        seen = observed.get(each.feature)
        if seen is None:
            fit, found = Fit.NOT_OBSERVED, ""
        else:
            found = seen.value
            if _folded(found) in {_folded(value) for value in each.values}:
                fit = Fit.FITS
            elif seen.part is not None and not _original(machine, seen.part):
                fit = Fit.AGAINST_ON_LATER_PART
            else:
                fit = Fit.AGAINST
        name = names[each.feature].name if each.feature in names else each.feature
        judged.append(
            Judged(feature=each.feature, name=name, expected=each.values, found=found, fit=fit)
        )
    made = variant.made
    # An approximate date excludes nothing, as in the dating.
    dated = made is not None and not made.approximate and made.form is not EdtfForm.ALL_OF
    excludes = dated and made is not None and not days_of(made) & allowed
    return VariantFit(variant=variant, features=tuple(judged), date_excludes=excludes)


def _original(machine: Machine, name: str) -> bool:
    part = machine.part(name)
    return part is not None and part.state is PartState.ORIGINAL


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def _to_look_for(
    machine: Machine, machine_type: MachineType, fitting: Sequence[Variant]
) -> tuple[Look, ...]:
    """Rank the features that were not observed by the pairs of variants they part."""
    usable = {
        each.feature
        for each in machine.features
        if each.part is None or _original(machine, each.part)
    }
    found: list[Look] = []
    for feature in machine_type.features:
        if feature.id in usable:
            continue
        sets = [
            {_folded(value) for one in variant.features if one.feature == feature.id
             for value in one.values}
            for variant in fitting
        ]  # fmt: skip
        pairs = sum(bool(a and b and not a & b) for a, b in combinations(sets, 2))
        if pairs:
            found.append(Look(feature=feature, pairs=pairs))
    return tuple(sorted(found, key=lambda each: -each.pairs))


def date_of_fitting(comparison: Comparison) -> str:
    """Say when the fitting variants were made, in words; empty if that is not known."""
    spans = [
        span
        for variant in comparison.fitting
        if variant.made is not None and variant.made.form is not EdtfForm.ALL_OF
        for span in days_of(variant.made).spans
    ]
    return days_in_words(DaySet.of(spans)) if spans else ""
