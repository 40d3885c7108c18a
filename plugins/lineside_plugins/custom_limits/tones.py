"""The survey of third octaves of ISO 1996-2:2007, Annex D, as far as it is remembered.

Thresholds and range of the adjustment are from memory: neither standard was at hand when this was written. They stand
here and in the report as such; whoever relies on them compares them with the text.
"""

from __future__ import annotations

from lineside.contracts import ToneRule

#: Edition and clause as printed.
SURVEY = "ISO 1996-2:2007, Annex D"
#: Lowest and highest third octave [Hz], and by how much a tone exceeds both neighbours [dB]; from memory.
THRESHOLDS = ((25.0, 125.0, 15.0), (160.0, 400.0, 8.0), (500.0, 10000.0, 5.0))
#: Range of the adjustment for tones, ISO 1996-1, Annex A; from memory. [dB]
LEAST_DB, MOST_DB = 3.0, 6.0

STANDING = (
    f"A tone is found where a third octave of the average level exceeds both its neighbours by 15 dB (25 to 125 Hz), "
    f"8 dB (160 to 400 Hz) or 5 dB (500 to 10000 Hz) or more ({SURVEY}). These thresholds, and the range of the "
    f"adjustment, {LEAST_DB:g} to {MOST_DB:g} dB (ISO 1996-1, Annex A), are from memory and were not compared with the "
    "standards. Third octaves from 63 Hz to 8 kHz can be judged; those beyond lack a computed neighbour."
)
CAUTION = (
    "The survey of third octaves is made on predicted levels: it can hide a narrow tone, and the way of the sound is "
    "computed in octaves. Where the emission of a method, or a limit, holds a surcharge for tones or curves already, "
    "no adjustment may be added: tones would count twice."
)


def survey(adjustment_db: float) -> ToneRule:
    """The survey with an adjustment. [dB]"""
    return ToneRule(SURVEY, THRESHOLDS, adjustment_db)
