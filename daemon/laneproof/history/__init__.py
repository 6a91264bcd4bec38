"""History: what was read, what happened and what was found, kept over restarts in one SQLite file.

``store`` is the writer and the whole interface; the rest are its parts. Nothing here judges.
"""
