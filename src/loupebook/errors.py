"""Every error that Loupebook raises on purpose.

Faults raise, findings return. Each message says what happened, to which file or
record, and what to do about it. Foreign errors (Pillow, FAISS, SQLAlchemy, torch) are
translated once, in the room that calls the foreign library::

    LoupebookError
    ├── PhotoError                a picture cannot be used
    │   ├── PhotoUnreadable       the bytes are not a picture that we can decode
    │   ├── PhotoTooLarge         a byte or pixel limit would be exceeded
    │   └── CropInvalid           a crop box or corner set makes no sense for this photo
    ├── SetError                  a set (library folder) cannot be used
    │   ├── SetNotFound
    │   ├── SetExists
    │   ├── SetDamaged            catalogue or photo store fails its checks
    │   └── SetBusy               another process holds the set; try again
    ├── RecordError               a record cannot be read or written
    │   ├── RecordNotFound
    │   ├── RecordInvalid         a value is not allowed; says which are
    │   └── RecordConflict        a write contradicts what is already recorded
    ├── ManifestError             a manifest as a whole cannot be read
    ├── BagRefused                a bag cannot be taken in; says everything that is wrong
    ├── NotAllowed                the person's roles do not allow it
    ├── EncoderError
    │   ├── EncoderUnavailable    weights or configuration cannot be had
    │   └── EncoderMismatch       vectors of one encoder offered to another
    ├── SearchError
    │   ├── IndexDamaged          a derived index fails its checks; rebuild it
    │   └── QueryInvalid          the filters or the query cannot be used
    ├── ComparisonError           two photos cannot be put to a comparison at all
    ├── SheetInvalid              a sheet or printed record cannot be made of what is there
    ├── PracticeInvalid           a practice round has nothing to ask
    ├── BenchInvalid              a benchmark has nothing to run on
    └── WorldInvalid              a demo world that cannot exist was asked for
"""

from __future__ import annotations


class LoupebookError(Exception):
    """Root of all errors raised on purpose."""


class PhotoError(LoupebookError):
    """A picture cannot be used."""


class PhotoUnreadable(PhotoError):
    """The bytes are not a picture that we can decode."""


class PhotoTooLarge(PhotoError):
    """A byte or pixel limit would be exceeded."""


class CropInvalid(PhotoError):
    """A crop box or corner set makes no sense for this photo."""


class SetError(LoupebookError):
    """A set (library folder) cannot be used."""


class SetNotFound(SetError):
    """There is no set at the path given."""


class SetExists(SetError):
    """A set stands already where a new one was to be made."""


class SetDamaged(SetError):
    """The catalogue or the photo store fails its checks."""


class SetBusy(SetError):
    """Another process holds the set."""


class RecordError(LoupebookError):
    """A record cannot be read or written."""


class RecordNotFound(RecordError):
    """No record of that name or number."""


class RecordInvalid(RecordError):
    """A value is not allowed.

    Parameters
    ----------
    message : str
        What is wrong and what is allowed.
    field : str, optional
        The field concerned, by its manifest name.
    """

    def __init__(self, message: str, *, field: str | None = None) -> None:
        super().__init__(message)
        self.field = field


class RecordConflict(RecordError):
    """A write contradicts what is already recorded.

    Parameters
    ----------
    message : str
        What contradicts what.
    field : str, optional
        The field concerned, by its manifest name.
    """

    def __init__(self, message: str, *, field: str | None = None) -> None:
        super().__init__(message)
        self.field = field


class ManifestError(LoupebookError):
    """A manifest as a whole cannot be read (single bad rows are findings, not errors)."""


class BagRefused(LoupebookError):
    """A bag cannot be taken in; nothing was written.

    Parameters
    ----------
    message : str
        What was refused.
    faults : tuple of str
        Everything that is wrong with it.
    """

    def __init__(self, message: str, faults: tuple[str, ...] = ()) -> None:
        super().__init__("\n".join([message, *faults]))
        self.faults = faults


class NotAllowed(LoupebookError):
    """The person's roles do not allow what was asked for."""


class EncoderError(LoupebookError):
    """An encoder cannot be used."""


class EncoderUnavailable(EncoderError):
    """Weights or configuration of an encoder cannot be had."""


class EncoderMismatch(EncoderError):
    """Vectors of one encoder were offered to another."""


class SearchError(LoupebookError):
    """A search cannot be made."""


class IndexDamaged(SearchError):
    """A derived index fails its checks; it must be rebuilt."""


class QueryInvalid(SearchError):
    """The filters or the query cannot be used."""


class ComparisonError(LoupebookError):
    """Two photos cannot be put to a comparison at all."""


class SheetInvalid(LoupebookError):
    """A sheet or printed record cannot be made of what is there."""


class PracticeInvalid(LoupebookError):
    """A practice round has nothing to ask."""


class WorldInvalid(LoupebookError):
    """A demo world that cannot exist was asked for."""


class BenchInvalid(LoupebookError):
    """A benchmark has nothing to run on."""
