"""What the audio tells us: one streaming pass over the samples that feeds every meter.

Takes raw sample bytes in a :class:`SampleFormat`; knows nothing of sessions or of
file headers. What needs numpy is imported from its own module:
:mod:`~archiver.signal.samples`, :mod:`~archiver.signal.take` and the meters.
"""

from archiver.signal.sampleformat import Bytes, SampleFormat
from archiver.signal.stream import Consumer, Meter, run_pass

__all__ = ["Bytes", "Consumer", "Meter", "SampleFormat", "run_pass"]
