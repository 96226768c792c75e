"""The rules of the sheet, the machine files and the session folder.

Codes are public and stable. A rule that checks how a sheet is written begins with
``sheet-``; the others begin with what they are about.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE

# --- bytes and characters -----------------------------------------------------------

SHEET_TOO_LARGE = Rule(
    code="sheet-too-large",
    severity=_E,
    reason="A sheet is written by hand; a file of this size is something else.",
    remedy="Check that it is the file that is meant.",
)
FILE_UNREADABLE = Rule(
    code="file-unreadable",
    severity=_E,
    reason="What cannot be read cannot be archived.",
    remedy="Check the file, its permissions and the disk.",
)
SHEET_ENCODING = Rule(
    code="sheet-encoding",
    severity=_E,
    reason="The sheet goes into the bag as it is, and later readers expect UTF-8.",
    remedy="Save the file as UTF-8 in the editor.",
)
SHEET_BYTE_ORDER_MARK = Rule(
    code="sheet-byte-order-mark",
    severity=_N,
    reason="A byte order mark is not needed in UTF-8 and confuses some readers.",
    remedy="Nothing has to be done; saving as UTF-8 without a mark removes it.",
)
SHEET_CONTROL_CHARACTER = Rule(
    code="sheet-control-character",
    severity=_E,
    reason="Control characters cannot be written into the XML documents of the bag.",
    remedy="Delete the character; it is often invisible, so retype the word.",
)
SHEET_EMPTY = Rule(
    code="sheet-empty",
    severity=_E,
    reason="Nothing is described.",
    remedy="Fill it in, beginning from the template.",
)

# --- YAML ---------------------------------------------------------------------------

SHEET_SYNTAX = Rule(
    code="sheet-syntax",
    severity=_E,
    reason="From this place on the file cannot be read as YAML.",
    remedy="Correct the line named, and look at the line above it.",
)
SHEET_TAB = Rule(
    code="sheet-tab",
    severity=_E,
    reason="YAML indents by spaces only, since a tab has no fixed width.",
    remedy="Replace the tabs at the beginning of the lines by spaces.",
)
SHEET_DUPLICATE_FIELD = Rule(
    code="sheet-duplicate-field",
    severity=_E,
    reason="A field that stands twice leaves open which value is meant; the first is used.",
    remedy="Keep one of the two.",
)
SHEET_REFERENCE_MARK = Rule(
    code="sheet-reference-mark",
    severity=_E,
    reason="YAML reads a leading & or * as a reference within the file, and the text is lost.",
    remedy="Put the text into quotes, or write the value out where it is needed.",
)
SHEET_TAG = Rule(
    code="sheet-tag",
    severity=_E,
    reason="YAML reads a leading ! as the name of a type, and the word is lost.",
    remedy="Put the text into quotes.",
)
SHEET_SECOND_DOCUMENT = Rule(
    code="sheet-second-document",
    severity=_E,
    reason="A file holds one sheet; what follows a line of three hyphens is not read.",
    remedy="Remove the line ---, or move what follows it into its own file.",
)
SHEET_TOO_DEEP = Rule(
    code="sheet-too-deep",
    severity=_E,
    reason="No field of a sheet is nested so deeply.",
    remedy="Check the brackets and the indentation before this place.",
)
SHEET_COMMENT_CUTS_TEXT = Rule(
    code="sheet-comment-cuts-text",
    severity=_W,
    reason="After a blank, # begins a comment, and the rest of the line is not part of the text.",
    remedy="If it belongs to the text, put the text into quotes; if not, put a blank after #.",
)

# --- form ---------------------------------------------------------------------------

SHEET_SCHEMA_VERSION = Rule(
    code="sheet-schema-version",
    severity=_E,
    reason="The file was written for a newer version of this program, which may know more fields.",
    remedy="Update the program; what this version knows has been read.",
)
SHEET_UNKNOWN_FIELD = Rule(
    code="sheet-unknown-field",
    severity=_E,
    reason="A field that nobody reads would be lost silently.",
    remedy="Correct the name, or delete the line; what has no field can go into a file in "
    "documents.",
)
SHEET_MISSING_FIELD = Rule(
    code="sheet-missing-field",
    severity=_E,
    reason="The archive cannot do without it.",
    remedy="Add the field.",
)
SHEET_SHAPE = Rule(
    code="sheet-shape",
    severity=_E,
    reason="The field holds another kind of thing: a list, a group of fields, or one value.",
    remedy="Write it as in the example.",
)
SHEET_VALUE = Rule(
    code="sheet-value",
    severity=_E,
    reason="Documents made from the sheet rely on the accepted forms.",
    remedy="Write one of the accepted forms.",
)
SHEET_QUANTITY = Rule(
    code="sheet-quantity",
    severity=_E,
    reason="A quantity is kept as stated and in SI units, so number and unit must be readable.",
    remedy="Write the number and its unit.",
)
SHEET_DATE = Rule(
    code="sheet-date",
    severity=_E,
    reason="Dates are compared and written into catalogue records.",
    remedy="Write the date in the accepted form.",
)
SHEET_SAME_ID = Rule(
    code="sheet-same-id",
    severity=_E,
    reason="A short name refers to one thing only.",
    remedy="Give each its own id.",
)
SHEET_ID_NOT_PORTABLE = Rule(
    code="sheet-id-not-portable",
    severity=_E,
    reason="The id names a file of the bag, which must be readable on any system.",
    remedy="Choose another id.",
)
SHEET_UNKNOWN_REFERENCE = Rule(
    code="sheet-unknown-reference",
    severity=_E,
    reason="The field refers to something that the sheet does not describe.",
    remedy="Correct the id, or describe what it refers to.",
)

TAKE_LISTED_TWICE = Rule(
    code="take-listed-twice",
    severity=_E,
    reason="A take names its master, so two takes cannot share an id.",
    remedy="Give one of them another id, or remove it if it is the same take.",
)
MACHINE_UNKNOWN = Rule(
    code="machine-unknown",
    severity=_E,
    reason="The machine is what the session is about; its file describes it.",
    remedy="Correct the id, or put the machine's file into machines/.",
)

# --- the folder ---------------------------------------------------------------------

FOLDER_UNREADABLE = Rule(
    code="folder-unreadable",
    severity=_E,
    reason="Without the folder there is nothing to archive.",
    remedy="Check the name of the session folder and its permissions.",
)
FOLDER_NO_SHEET = Rule(
    code="folder-no-sheet",
    severity=_E,
    reason="The sheet is what makes a folder of files a session.",
    remedy="Lay out a new session folder, or give the folder that holds session.yaml.",
)
FOLDER_LINK = Rule(
    code="folder-link",
    severity=_E,
    reason="A link may point outside the session, and what it points at may change.",
    remedy="Replace the link by the file itself.",
)
FOLDER_SPECIAL_FILE = Rule(
    code="folder-special-file",
    severity=_E,
    reason="Only ordinary files can be archived.",
    remedy="Remove it from the session folder.",
)
FOLDER_STRAY = Rule(
    code="folder-stray",
    severity=_W,
    reason="Only what the sheet lists goes into the bag.",
    remedy="List it in the sheet, or move it out of the session folder.",
)
FOLDER_NAMES_ALIKE = Rule(
    code="folder-names-alike",
    severity=_E,
    reason="On other systems the two names are one, and one file would overwrite the other.",
    remedy="Rename one of them.",
)
FOLDER_NAME_NOT_PORTABLE = Rule(
    code="folder-name-not-portable",
    severity=_E,
    reason="A bag must be readable on any operating system.",
    remedy="Rename the file, and change the sheet accordingly.",
)
TAKE_FILE_MISSING = Rule(
    code="take-file-missing",
    severity=_E,
    reason="A take without its capture cannot be archived.",
    remedy="Put the file there, or correct the name in the sheet.",
)
TAKE_FILE_SHARED = Rule(
    code="take-file-shared",
    severity=_E,
    reason="A file that counts twice by mistake hides that another is missing.",
    remedy="Correct one of the two file names, or say with begins and ends where each take lies.",
)
TAKE_SPANS_OVERLAP = Rule(
    code="take-spans-overlap",
    severity=_E,
    reason="A stretch of sound belongs to one take.",
    remedy="Correct begins or ends of one of the two.",
)
TAKE_SPAN_WRONG = Rule(
    code="take-span-wrong",
    severity=_E,
    reason="A position that the file does not have points at no sound.",
    remedy="Correct begins or ends; positions count from the first sample of the file.",
)
TAKE_NOT_IN_SHEET = Rule(
    code="take-not-in-sheet",
    severity=_E,
    reason="A capture that the sheet does not list would not be archived.",
    remedy="List it as a take, or move it out of the session folder.",
)
PHOTOGRAPH_MISSING = Rule(
    code="photograph-missing",
    severity=_E,
    reason="The sheet promises a photograph that is not there.",
    remedy="Put the file there, or correct the name in the sheet.",
)
PHOTOGRAPH_NOT_IN_SHEET = Rule(
    code="photograph-not-in-sheet",
    severity=_W,
    reason="A photograph without an entry in the sheet is not archived.",
    remedy="List it under photographs with a caption, or move it out of the folder.",
)
PHOTOGRAPH_NOT_AN_IMAGE = Rule(
    code="photograph-not-an-image",
    severity=_E,
    reason="A file that no viewer can open is no photograph.",
    remedy="Export the photograph again, or list the file under documents.",
)
PHOTOGRAPH_EXTENSION = Rule(
    code="photograph-extension",
    severity=_W,
    reason="Viewers choose by the end of the name, and would not open the file.",
    remedy="Rename the file, and change the sheet accordingly.",
)
PHOTOGRAPH_WITHOUT_CAPTION = Rule(
    code="photograph-without-caption",
    severity=_W,
    reason="In fifty years nobody will know what it shows.",
    remedy="Add a caption.",
)
DOCUMENT_MISSING = Rule(
    code="document-missing",
    severity=_E,
    reason="The sheet promises a document that is not there.",
    remedy="Put the file there, or correct the name in the sheet.",
)
DOCUMENT_NOT_IN_SHEET = Rule(
    code="document-not-in-sheet",
    severity=_W,
    reason="A document without an entry in the sheet is not archived.",
    remedy="List it under documents, or move it out of the folder.",
)
DOCUMENT_WITHOUT_CAPTION = Rule(
    code="document-without-caption",
    severity=_N,
    reason="A caption tells a reader whether to open it.",
    remedy="Add a caption.",
)
FILE_LISTED_TWICE = Rule(
    code="file-listed-twice",
    severity=_W,
    reason="Two captions for one file leave open which holds.",
    remedy="Keep one entry.",
)

# --- the example --------------------------------------------------------------------

EXAMPLE_NOT_OVERWRITTEN = Rule(
    code="example-not-overwritten",
    severity=_E,
    reason="The museum, the people, the consents and the evidence of the example are invented, "
    "and its rights are nobody's; in the archive they would stand for ever as yours.",
    remedy="Write over it with what holds for you.",
)
EXAMPLE_TEXT_LEFT = Rule(
    code="example-text-left",
    severity=_W,
    reason="The example tells of an invented event and invented objects; what is left of it would "
    "be archived as if it were true.",
    remedy="Write over these texts, or delete the fields, the entry or the file that you do not "
    "need.",
)

# --- machines, people, chains -------------------------------------------------------

MACHINE_FILE_NAME = Rule(
    code="machine-file-name",
    severity=_E,
    reason="The sheet finds a machine by the name of its file.",
    remedy="Change the id or rename the file.",
)
MACHINE_NOT_USED = Rule(
    code="machine-not-used",
    severity=_N,
    reason="A machine file that no setup or photograph refers to is archived all the same.",
    remedy="If the machine was not there, move its file out of the session folder.",
)
MACHINE_MANDREL_AND_PLATTER = Rule(
    code="machine-mandrel-and-platter",
    severity=_W,
    reason="A mandrel carries cylinders and a platter carries discs; few machines have both.",
    remedy="Remove the one that the machine does not have.",
)
OPERATOR_CONSENT = Rule(
    code="operator-consent",
    severity=_W,
    reason="A voice is personal; recording and publishing a named person needs consent.",
    remedy="Ask the person, and write down when and for what consent was given.",
)
CHAIN_SAMPLE_RATE = Rule(
    code="chain-sample-rate",
    severity=_W,
    reason="Sound archives ask for 48 kHz or more for preservation (IASA-TC 04).",
    remedy="Nothing can be done for these takes; set the recorder higher next time.",
)
CHAIN_BIT_DEPTH = Rule(
    code="chain-bit-depth",
    severity=_W,
    reason="Sound archives ask for 24 bits or more for preservation (IASA-TC 03 and 04).",
    remedy="Nothing can be done for these takes; set the recorder higher next time.",
)
CHAIN_CHANNELS = Rule(
    code="chain-channels",
    severity=_E,
    reason="The layout says how many channels there are, and each needs its meaning.",
    remedy="Correct the layout or the list of channels.",
)
CHAIN_MICROPHONE_CHANNEL = Rule(
    code="chain-microphone-channel",
    severity=_E,
    reason="A microphone feeds a channel that the chain does not list.",
    remedy="Correct the channel, or add its meaning to the channels of the chain.",
)

# --- takes --------------------------------------------------------------------------

TAKE_SETUP_MISSING = Rule(
    code="take-setup-missing",
    severity=_E,
    reason="Without a setup nobody knows which machine is heard.",
    remedy="Name the setup of the take.",
)
TAKE_CHAIN_MISSING = Rule(
    code="take-chain-missing",
    severity=_E,
    reason="There are several capture chains, and the take does not say which was used.",
    remedy="Name the chain of the take.",
)
TAKE_MEDIUM_MISSING = Rule(
    code="take-medium-missing",
    severity=_W,
    reason="Without its medium a recording cannot be found again, nor its wear followed.",
    remedy="Describe the medium, and name it in the take or in its setup.",
)
TAKE_SOURCE = Rule(
    code="take-source",
    severity=_E,
    reason="What is reproduced was recorded before, in a performance, on the same medium.",
    remedy="Correct reproduces, or leave it out if the recording was not made in this session.",
)
TAKE_CIRCLE = Rule(
    code="take-circle",
    severity=_E,
    reason="Every reproduction leads back to a performance, or nothing was ever recorded.",
    remedy="Name the performance that each of them reproduces.",
)
TAKE_SOURCE_MEDIUM = Rule(
    code="take-source-medium",
    severity=_E,
    reason="A recording is on the medium on which it was made.",
    remedy="Correct the medium or reproduces.",
)
TAKE_SOURCE_LATER = Rule(
    code="take-source-later",
    severity=_E,
    reason="Nothing can be reproduced before it was recorded.",
    remedy="Correct the start times, the order of the takes, or reproduces.",
)
TAKE_PLAYINGS_BACKWARDS = Rule(
    code="take-playings-backwards",
    severity=_E,
    reason="A medium is never played fewer times than before, unless it is recorded anew.",
    remedy="Count again; after a new recording on the same medium begin at 0.",
)
TAKE_PLAYINGS_NOT_COUNTED = Rule(
    code="take-playings-not-counted",
    severity=_W,
    reason="The takes between have played the medium more often than the count says.",
    remedy="Count again, the takes of this session included.",
)
TAKE_OUTSIDE_SESSION = Rule(
    code="take-outside-session",
    severity=_W,
    reason="A take belongs to the session in which it was made.",
    remedy="Correct the start of the take, or the start or end of the session.",
)
TAKE_SAME_START = Rule(
    code="take-same-start",
    severity=_W,
    reason="One capture chain records one take at a time.",
    remedy="Correct one of the two start times.",
)
TAKE_OVERLAP = Rule(
    code="take-overlap",
    severity=_W,
    reason="One capture chain records one take at a time.",
    remedy="Correct the start times, or the clock of the recorder.",
)
TAKE_CHANNELS = Rule(
    code="take-channels",
    severity=_E,
    reason="Each channel of the file needs its meaning.",
    remedy="List as many channels as the chain has.",
)
SESSION_ENDS_EARLY = Rule(
    code="session-ends-early",
    severity=_E,
    reason="A session ends after it begins.",
    remedy="Correct start or end.",
)
SESSION_BEFORE_DIGITAL = Rule(
    code="session-before-digital",
    severity=_E,
    reason="The captures are digital sound files, and before 1970 there was no recorder that "
    "made any.",
    remedy="Correct the year; the date of a historic machine or recording stands in the machine "
    "file or with the medium.",
)
SESSION_VERY_LONG = Rule(
    code="session-very-long",
    severity=_W,
    reason="A demonstration lasts hours, seldom days: a wrong digit in the date is likely.",
    remedy="Correct the year, the month or the day of start or end; if they are right, nothing "
    "has to be done.",
)
