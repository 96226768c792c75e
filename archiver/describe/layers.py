"""The rights of a session layer by layer, and which of them hold for what.

In one session there are rights in what was performed, in the performance, in the new
recording, in photographs and in texts (common practice). What the sheet says of the whole
holds wherever no layer of its own is stated.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from archiver.describe.facts import FileRole
from archiver.session.edtf import EdtfDate
from archiver.session.records import Basis, Layer, Session

__all__ = ["RightsMap", "RightsStatement", "closed_words", "opening_day"]

_SOUND = frozenset({Layer.COMPOSITION, Layer.PERFORMANCE, Layer.RECORDING})
_TEXT = frozenset({Layer.TEXT})
_NOBODY = "none"
_LAYERS: Mapping[FileRole, frozenset[Layer]] = {
    FileRole.MASTER: _SOUND,
    FileRole.ORIGINAL: _SOUND,
    FileRole.ACCESS: _SOUND,
    FileRole.PHOTOGRAPH: frozenset({Layer.PHOTOGRAPHS}),
    FileRole.DOCUMENT: _TEXT,
    FileRole.RESTRICTED: _TEXT,
    FileRole.METADATA: _TEXT,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RightsStatement:
    """One statement; the first is that of the whole session, without layer and basis.

    ``identifier`` is ``rights-1`` and so on, in the order of the sheet; ``holder`` is empty
    where nobody holds the rights.
    """

    identifier: str
    layer: Layer | None
    statement: str
    uri: str | None
    holder: str
    basis: Basis | None = None
    work: str | None = None
    takes: tuple[str, ...] = ()
    evidence: str | None = None
    date: EdtfDate | None = None
    closed_until: EdtfDate | None = None
    note: str | None = None

    @property
    def label(self) -> str:
        """What the rights are in, in words."""
        if self.layer is None:
            return "session"
        return f"{self.layer}: {self.work}" if self.work else str(self.layer)

    @property
    def notes(self) -> tuple[str, ...]:
        """What else is to be said, each as a sentence with a label."""
        pairs = (
            ("Rights holder", self.holder),
            *self._told,
        )
        return tuple(f"{label}: {text}" for label, text in pairs if text)

    @property
    def remarks(self) -> tuple[str, ...]:
        """The notes but for the holder, who has a field of his own in most standards."""
        return tuple(f"{label}: {text}" for label, text in self._told if text)

    @property
    def _told(self) -> tuple[tuple[str, str | None], ...]:
        return (
            ("Layer", str(self.layer) if self.layer else None),
            ("Work", self.work),
            ("Evidence", self.evidence),
            ("Note", self.note),
        )

    @property
    def sentence(self) -> str:
        """The statement with layer, holder and closure, in one line."""
        start = f"{self.label}: " if self.layer else ""
        end = f". {closed_words(self.closed_until)}" if self.closed_until else ""
        holder = f" ({self.holder})" if self.holder else ""
        return f"{start}{self.statement}{holder}{end}"


class RightsMap:
    """Statements of a session, and those that hold for a take or a file."""

    def __init__(self, session: Session) -> None:
        rights = session.rights
        self.statements: tuple[RightsStatement, ...] = (
            RightsStatement(
                identifier="rights-1",
                layer=None,
                statement=rights.statement,
                uri=rights.uri,
                holder=rights.holder,
                closed_until=rights.closed_until,
            ),
            *(
                RightsStatement(
                    identifier=f"rights-{number}",
                    layer=one.layer,
                    statement=one.statement,
                    uri=one.uri,
                    holder="" if one.holder.strip().lower() == _NOBODY else one.holder,
                    basis=one.basis,
                    work=one.work,
                    takes=one.takes,
                    evidence=one.evidence,
                    date=one.date,
                    closed_until=one.closed_until,
                    note=one.note,
                )
                for number, one in enumerate(rights.layers, start=2)
            ),
        )
        self._found: dict[tuple[FileRole, tuple[str, ...]], tuple[RightsStatement, ...]] = {}

    @property
    def holders(self) -> tuple[str, ...]:
        """Who holds rights in something, each once."""
        return tuple(dict.fromkeys(one.holder for one in self.statements if one.holder))

    @property
    def whole(self) -> RightsStatement:
        """The statement of the whole session."""
        return self.statements[0]

    @property
    def layers(self) -> tuple[RightsStatement, ...]:
        """The statements of the layers."""
        return self.statements[1:]

    def of(self, role: FileRole, takes: Iterable[str] = ()) -> tuple[RightsStatement, ...]:
        """Return what holds for a file of a role that belongs to takes."""
        key = (role, tuple(takes))
        if key not in self._found:
            self._found[key] = self._search(_LAYERS[role], key[1])
        return self._found[key]

    def of_take(self, take: str) -> tuple[RightsStatement, ...]:
        """Return what holds for the sound of a take."""
        return self.of(FileRole.MASTER, (take,))

    def _search(
        self, layers: Collection[Layer], takes: tuple[str, ...]
    ) -> tuple[RightsStatement, ...]:
        found = [
            one
            for one in self.layers
            if one.layer in layers and (not one.takes or set(one.takes) & set(takes))
        ]
        # A statement on one work, or on some of several takes, leaves others to the whole.
        covered = {
            one.layer
            for one in found
            if one.work is None and (not one.takes or set(takes) <= set(one.takes))
        }
        return tuple(found) if covered >= set(layers) else (self.whole, *found)


def closed_words(date: EdtfDate) -> str:
    """Say until when something is closed."""
    return f"Closed to the public until {date.text}"


def opening_day(date: EdtfDate) -> dt.date | None:
    """Return the first day that is open again; None where the last closed day is not known."""
    last = date.latest.day
    if last is None or not 1 <= last.year < 9999:
        return None
    return dt.date(last.year, last.month, last.day) + dt.timedelta(days=1)
