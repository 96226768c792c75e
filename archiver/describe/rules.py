"""What can be wrong with a description, each rule with its reason and remedy."""

from __future__ import annotations

from archiver.findings import Rule, Severity

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE

_DEFECT = "This is a fault of the program, not of the sheet: report it with the finding"
_AGAIN = "Make the documents again from the bag; if it stays, report it as a fault of the program"

TEXT_REPLACED = Rule(
    code="describe-character-replaced",
    severity=_W,
    reason="XML 1.0 cannot hold this character, so U+FFFD stands in its place in the documents.",
    remedy="Delete the character in the sheet; it is often invisible, so retype the word.",
)
NAME_WITHHELD = Rule(
    code="describe-withheld-name",
    severity=_E,
    reason="A person who has given no consent is not named in public documents.",
    remedy="Take the name out of this text, or write down the consent if it has been given.",
)
NAME_NOT_COVERED = Rule(
    code="describe-name-not-covered",
    severity=_E,
    reason="Who has agreed to some purposes only is named only if `name` is one of them.",
    remedy="Take the name out of this text; or ask, and if the person agrees to be named, add "
    "`name` to the `purposes` of the consent.",
)
PRIVATE_ELSEWHERE = Rule(
    code="describe-private-value",
    severity=_E,
    reason="What is private in one field must not stand in another that everybody reads.",
    remedy="Take it out of this text; or leave the private field empty if it is no secret.",
)
PRIVATE_COMMENT = Rule(
    code="describe-private-in-comment",
    severity=_E,
    reason="Comments stay in the public copy of the sheet.",
    remedy="Take it out of the comment; the private field is the place for it.",
)
PRIVATE_DOCUMENT = Rule(
    code="describe-private-in-document",
    severity=_E,
    reason="Documents go into the bag as they are, for everybody to read.",
    remedy="Write `restricted: yes` at the document in the sheet, or take it out of the document.",
)
PRIVATE_NAME = Rule(
    code="describe-private-in-file-name",
    severity=_E,
    reason="The names of files are listed in the manifests and in every description.",
    remedy="Rename the file, in the folder and in the sheet.",
)
CAPTURE_PRIVATE = Rule(
    code="describe-private-in-capture",
    severity=_W,
    reason="Masters are public; the chunk as it stands goes into the restricted part of the bag.",
    remedy="Nothing has to be done for this take; look into the settings of the recorder before "
    "the next one.",
)
PRIVATE_IN_VIDEO = Rule(
    code="describe-private-in-video",
    severity=_E,
    reason="A video goes into the bag as it is, for everybody to read.",
    remedy="Hand in a copy of the video without this entry, made with a program that leaves "
    "picture and sound as they are; or leave the private field empty if it is no secret.",
)
PRIVATE_IN_PICTURE = Rule(
    code="describe-private-in-picture",
    severity=_E,
    reason="A picture goes into the bag as it is, for everybody to read.",
    remedy="Hand in a copy of the picture without this entry; or leave the private field empty "
    "if it is no secret.",
)
POSITION = Rule(
    code="describe-position-in-file",
    severity=_W,
    reason="Whoever has the file can see where it was made, which may be where somebody lives.",
    remedy="If that is no secret, nothing has to be done; else hand in a copy without the position.",
)
PICTURE_TOO_LARGE = Rule(
    code="describe-picture-too-large",
    severity=_N,
    reason="Pictures go into the bag as they are, with whatever a camera wrote into them.",
    remedy="Look yourself with a picture viewer, if it may name a person or a place.",
)
NOBODY_CREDITED = Rule(
    code="describe-nobody-credited",
    severity=_N,
    reason="Who took part in the session need not have been in each of its takes.",
    remedy="If it is known who is heard, name them in `operators` of the take.",
)
TERM_UNMAPPED = Rule(
    code="describe-term-unmapped",
    severity=_N,
    reason="No confirmed concept of a shared vocabulary is known for this term; it stands as text.",
    remedy="Nothing has to be done; an institution may add the concept when it catalogues.",
)
RIGHTS_UNKNOWN = Rule(
    code="describe-rights-uri-unknown",
    severity=_N,
    reason="Receivers act by themselves only on the URIs of rightsstatements.org and Creative "
    "Commons.",
    remedy="Where one of them fits, give it; else the statement in words stands.",
)
RIGHTS_FORM = Rule(
    code="describe-rights-uri-form",
    severity=_W,
    reason="The page for people is not the URI of the licence or statement, so machines miss it.",
    remedy="Give the URI in its canonical form.",
)
RIGHTS_BASIS = Rule(
    code="rights-basis-contradicts-uri",
    severity=_E,
    reason="One of the two is wrong, and receivers act on both.",
    remedy="Correct the basis or the address.",
)
RIGHTS_UNPROVEN = Rule(
    code="rights-licence-without-evidence",
    severity=_W,
    reason="In thirty years nobody will know under which terms it was given.",
    remedy="Give the address of the licence, or say where the agreement is kept.",
)
RIGHTS_TWICE = Rule(
    code="rights-layer-twice",
    severity=_E,
    reason="Of two statements on the same thing nobody knows which one counts.",
    remedy="Join them, or say by `work` or `takes` what each is about.",
)
RIGHTS_TAKES = Rule(
    code="rights-layer-takes",
    severity=_E,
    reason="The statement would be about something that is not there.",
    remedy="Correct the takes, or leave the field out.",
)
RIGHTS_OVER = Rule(
    code="rights-licence-over-closed-layer",
    severity=_W,
    reason="A take can be given to everybody only if all who hold rights in it agree.",
    remedy="Give the licence to the layers that it is meant for.",
)
CLOSED_FORM = Rule(
    code="rights-closed-until-form",
    severity=_E,
    reason="Whoever opens the archive must know on which day.",
    remedy="Write one date without ~, ? or an interval.",
)
CLOSED_PAST = Rule(
    code="rights-closed-until-past",
    severity=_W,
    reason="A closure that has ended before it begins closes nothing.",
    remedy="Look at the year, or leave the field out.",
)
CLOSED_LICENCE = Rule(
    code="rights-closed-and-licensed",
    severity=_E,
    reason="A licence of Creative Commons holds for everybody at once and cannot be taken back.",
    remedy="Leave out the closure, or give the licence when it has ended.",
)
CONSENT_PURPOSE = Rule(
    code="consent-does-not-cover",
    severity=_E,
    reason="What a person has not agreed to must not be done with their voice or work.",
    remedy="Ask for the consent, or correct what it covers.",
)
CONSENT_PUBLICATION = Rule(
    code="consent-without-publication",
    severity=_W,
    reason="A licence lets everybody publish, and the person has not agreed to that.",
    remedy="Close the recordings, choose other rights, or ask for the consent.",
)
CONSENT_PAST = Rule(
    code="consent-ended",
    severity=_W,
    reason="A consent that has ended covers nothing.",
    remedy="Look at the year, or ask again.",
)

MALFORMED = Rule(
    code="describe-not-well-formed",
    severity=_E,
    reason="A document that cannot be parsed describes nothing.",
    remedy=_AGAIN,
)
ROOT = Rule(
    code="describe-root",
    severity=_E,
    reason="A document begins with the root element of its standard, in its namespace and version.",
    remedy=_AGAIN,
)
REQUIRED = Rule(
    code="describe-required-missing",
    severity=_E,
    reason="The standard leaves this open, but receivers need it.",
    remedy=_DEFECT,
)
IDENTIFIER_TWICE = Rule(
    code="describe-identifier-twice",
    severity=_E,
    reason="An identifier that stands for two things stands for none.",
    remedy=_DEFECT,
)
DANGLING = Rule(
    code="describe-identifier-dangling",
    severity=_E,
    reason="A link to something that is not in the document leads nowhere.",
    remedy=_DEFECT,
)
DATE = Rule(
    code="describe-date",
    severity=_E,
    reason="Receivers sort and compare by date; this field takes no other form.",
    remedy=_DEFECT,
)
DATE_RANGE = Rule(
    code="describe-date-range",
    severity=_E,
    reason="The earliest date and the latest belong together, in this order.",
    remedy=_DEFECT,
)
TERM_FOREIGN = Rule(
    code="describe-term-not-in-vocabulary",
    severity=_E,
    reason="The field takes terms of one vocabulary, with label and URI that belong together.",
    remedy=_DEFECT,
)
DIGEST_FORM = Rule(
    code="describe-digest-form",
    severity=_E,
    reason="A digest has the length of its algorithm and only hexadecimal digits.",
    remedy=_DEFECT,
)
DIGEST_DIFFERS = Rule(
    code="describe-digest-differs",
    severity=_E,
    reason="The document states another digest than the one taken of the file.",
    remedy=_AGAIN,
)
SIZE_DIFFERS = Rule(
    code="describe-size-differs",
    severity=_E,
    reason="The document states another size than the file has.",
    remedy=_AGAIN,
)
FILE_UNKNOWN = Rule(
    code="describe-file-unknown",
    severity=_E,
    reason="The document names a file that is not in the bag.",
    remedy=_AGAIN,
)
REFERENCE_FORM = Rule(
    code="describe-reference-form",
    severity=_E,
    reason="A reference to a file is a relative URI: `/` between names, blanks as %20.",
    remedy=_DEFECT,
)
MEDIA_TYPE = Rule(
    code="describe-media-type",
    severity=_E,
    reason="A media type has the form type/subtype (RFC 6838) and agrees with the file's.",
    remedy=_DEFECT,
)
TECHNICAL = Rule(
    code="describe-technical-differs",
    severity=_E,
    reason="The technical part says what was measured on the master, and nothing else.",
    remedy=_AGAIN,
)
IDENTIFIER_FORM = Rule(
    code="describe-identifier-form",
    severity=_E,
    reason="An identifier of this kind has a fixed form or a check character.",
    remedy="Copy the identifier again from where it was issued.",
)
GRAPH = Rule(
    code="describe-graph",
    severity=_E,
    reason="An RO-Crate is a flat list of entities that refer to each other by @id.",
    remedy=_DEFECT,
)
