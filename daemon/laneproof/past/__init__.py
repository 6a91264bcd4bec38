"""The box over time: facts that need more than one pass, such as boots, episodes, error counts and trials.

Pure: a pass goes in as a value, and what is known comes out as plain values that a restart can carry over. What a
figure is worth is worked out in `laneproof.evidence`, which is statistics only and knows no box; each single sample
and event is kept for months by `laneproof.history`, which writes SQLite and adds nothing up.
"""
