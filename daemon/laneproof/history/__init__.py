"""History: each sample, event and finding, kept for months in one SQLite file, to be looked up by an owner.

``store`` is the writer and the whole interface; the rest are its parts. Nothing here judges or adds up: what the rules
know of earlier passes stands in `laneproof.past`, and the tests of a figure in `laneproof.evidence`.
"""
