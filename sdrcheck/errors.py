"""Everything that can stop our work, in one tree.

SdrcheckError
 +-- SourceError           the samples do not come
 |    +-- NoDongle         (also LookupError)
 |    +-- DongleBusy
 |    +-- SourceLost       it answered once, and stopped
 +-- RecordingError        a recording cannot be read or trusted (also ValueError)
 |    +-- RecordingMissing (also FileNotFoundError)
 +-- ReceiverError         what was said of the dongle, its reference or its chain cannot be used (also ValueError)
 +-- MeasurementError      the samples do not hold what was to be measured (also ValueError)
 +-- CompositionError      a signal cannot be made as ordered (also ValueError)
 +-- VisitError            a visit file or an evidence bundle cannot be used (also ValueError)
 +-- TableError            a table that the user brought cannot be read (also ValueError)
 +-- ExtraMissing          (also ImportError) names the extra to install

A bad signal is a finding and never raises; an exception means that we could not do our work.
The text is one plain sentence: what was tried, what was found, what to do.
"""


class SdrcheckError(Exception):
    """We could not do our work; the text says what to do about it."""


class SourceError(SdrcheckError):
    """The samples do not come."""


class NoDongle(SourceError, LookupError):
    """No receiver dongle answered."""


class DongleBusy(SourceError):
    """Another program holds the dongle."""


class SourceLost(SourceError):
    """The source answered once, and stopped."""


class RecordingError(SdrcheckError, ValueError):
    """A recording cannot be read or trusted."""


class RecordingMissing(RecordingError, FileNotFoundError):
    """There is no such recording."""


class ReceiverError(SdrcheckError, ValueError):
    """What was said of the dongle, its frequency reference or its attenuation chain cannot be used."""


class MeasurementError(SdrcheckError, ValueError):
    """The samples do not hold what was to be measured."""


class CompositionError(SdrcheckError, ValueError):
    """A signal cannot be made as ordered."""


class VisitError(SdrcheckError, ValueError):
    """A visit file or an evidence bundle cannot be used."""


class TableError(SdrcheckError, ValueError):
    """A table that the user brought cannot be read."""


class ExtraMissing(SdrcheckError, ImportError):
    """An optional part is not installed; the text names the extra."""
