"""Words of a record and what they mean here."""

from __future__ import annotations

GLOSSARY = (
    ("pass", "One object in front of the sensor, from its start to its end."),
    ("gap", "What lies between the windows of passes. A gap is one trial: nothing may switch in it."),
    ("window", "A pass with the doubt of its borders and the time by which filter and delay may hold the output back."),
    ("hit", "The output switched on in the window of a pass that must be detected."),
    ("miss", "The output did not switch on in the window of a pass that must be detected."),
    (
        "merged",
        "The output did not switch on, since it was still on from before. A merged pass is lost like a missed one.",
    ),
    ("extra", "The output switched on again in the same pass: the piece is counted twice."),
    ("false trip", "The output switched on in a gap, or on something that must be ignored."),
    ("truth", "The table of passes against which the output is scored, with its doubt; where it comes from is stated."),
    ("lot", "Pieces that share a batch, a shift or a material, and are more similar to one another than to others."),
    ("upper bound", "The largest rate that the data do not rule out at the confidence given; one-sided."),
    ("design effect", "By how much fewer passes count as independent, since those of one lot are similar."),
    (
        "margin to noise",
        "Distance from the level to the light that comes nearest, in standard deviations of noise.",
    ),
    ("contamination reserve", "Share of the light that may be lost before the first fault, of what was recorded."),
    ("switching position", "Where in the pass the output switches on, and after its end off."),
    ("not stated", "Nobody gave it. It does not mean that there is none."),
)
