"""Statistics of failure signs: pure functions from counts, exposures and readings to how surprising they are.

Nothing here reads anything, knows a rule's name or decides what to say; a result that the data cannot carry is
`NotEnough`, never a comforting number.

References such as (T4) are defined in docs/statistics.md: question, formula, source and a worked example of each test.
"""
