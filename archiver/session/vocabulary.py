"""The closed lists of the sheet and the machine files, word for word."""

from __future__ import annotations

import enum

__all__ = [
    "Basis", "ChannelLayout", "Confidence", "DriveKind", "EvidenceKind", "Grade", "Layer",
    "MarkKind", "MediumKind", "PartState", "Purpose", "Role", "TakeKind", "When",
]  # fmt: skip


class Role(enum.StrEnum):
    """What a person did in the session."""

    MACHINE_OPERATOR = "machine operator"
    PERFORMER = "performer"
    RECORDING_ENGINEER = "recording engineer"
    ANNOUNCER = "announcer"
    PHOTOGRAPHER = "photographer"
    CURATOR = "curator"
    OBSERVER = "observer"


class ChannelLayout(enum.StrEnum):
    """How the channels of a file belong together."""

    MONO = "mono"
    STEREO = "stereo"
    MULTICHANNEL = "multichannel"


class MediumKind(enum.StrEnum):
    """What carries the historic recording."""

    WAX_CYLINDER = "wax cylinder"
    FOIL_SHEET = "foil sheet"
    WAX_DISC = "wax disc"
    LACQUER_DISC = "lacquer disc"
    CELLULOID_CYLINDER = "celluloid cylinder"
    OTHER = "other"


class DriveKind(enum.StrEnum):
    """What turns the machine."""

    HAND_CRANK = "hand crank"
    SPRING = "spring"
    WEIGHT = "weight"
    MOTOR = "motor"
    TREADLE = "treadle"


class TakeKind(enum.StrEnum):
    """What a take is."""

    PERFORMANCE = "performance"
    REPRODUCTION = "reproduction"
    PERFORMANCE_AND_REPRODUCTION = "performance and reproduction"
    ANNOUNCEMENT = "announcement"
    ROOM_TONE = "room tone"
    TEST_TONE = "test tone"

    @property
    def records(self) -> bool:
        """Say whether the machine records in such a take."""
        return self in (TakeKind.PERFORMANCE, TakeKind.PERFORMANCE_AND_REPRODUCTION)

    @property
    def plays(self) -> bool:
        """Say whether the medium is played in such a take."""
        return self in (TakeKind.REPRODUCTION, TakeKind.PERFORMANCE_AND_REPRODUCTION)


class MarkKind(enum.StrEnum):
    """What kind of mark stands on a machine."""

    SERIAL_NUMBER = "serial number"
    MAKERS_PLATE = "maker's plate"
    STAMP = "stamp"
    INSCRIPTION = "inscription"
    LABEL = "label"


class PartState(enum.StrEnum):
    """State of a part of a machine."""

    ORIGINAL = "original"
    REPLACED = "replaced"
    RESTORED = "restored"
    MISSING = "missing"
    UNKNOWN = "unknown"


class EvidenceKind(enum.StrEnum):
    """What kind of evidence for a date is given."""

    FEATURE = "feature"
    MARK = "mark"
    SERIAL_NUMBER = "serial number"
    INSCRIPTION = "inscription"
    FINISH = "finish"
    PATENT = "patent"
    DOCUMENT = "document"
    TRADING_DATES = "trading dates"
    PROVENANCE = "provenance"
    STYLE = "style"


class Confidence(enum.StrEnum):
    """How far a piece of evidence can be relied on; only firm evidence limits a date."""

    FIRM = "firm"
    PROBABLE = "probable"
    WEAK = "weak"


class When(enum.StrEnum):
    """When the condition was examined, seen from the session."""

    BEFORE = "before"
    AFTER = "after"


class Grade(enum.StrEnum):
    """How a machine, a medium or a part of one is (common practice of condition reports)."""

    GOOD = "good"
    FAIR = "fair"
    POOR = "poor"
    NOT_WORKING = "not working"
    MISSING = "missing"
    NOT_EXAMINED = "not examined"

    @property
    def rank(self) -> int | None:
        """0 for the best; None where nothing was looked at."""
        order = (Grade.GOOD, Grade.FAIR, Grade.POOR, Grade.NOT_WORKING, Grade.MISSING)
        return order.index(self) if self in order else None


class Layer(enum.StrEnum):
    """What rights can be in."""

    COMPOSITION = "composition"
    PERFORMANCE = "performance"
    RECORDING = "recording"
    PHOTOGRAPHS = "photographs"
    TEXT = "text"


class Basis(enum.StrEnum):
    """On what a statement of rights rests."""

    COPYRIGHT = "copyright"
    LICENCE = "licence"
    CONTRACT = "contract"
    CONSENT = "consent"
    STATUTE = "statute"
    PUBLIC_DOMAIN = "public domain"
    UNKNOWN = "unknown"


class Purpose(enum.StrEnum):
    """What a consent covers."""

    RECORDING = "recording"
    ARCHIVING = "archiving"
    PUBLICATION = "publication"
    NAME = "name"
    PHOTOGRAPHS = "photographs"
