"""For all tests: which examples are drawn, and what is not collected here.

The same commit must get the same verdict twice, so examples are drawn from a seed that belongs to each test.
`--hypothesis-profile=search` draws new ones: run it before a release and after a change of an algorithm, and
keep what it finds as an `@example`.
"""

from hypothesis import settings

settings.register_profile("same", derandomize=True, database=None, print_blob=True)
settings.register_profile("search", derandomize=False, print_blob=True)
settings.load_profile("same")

# The example plug-in is a distribution of its own: it is tested from its own folder, once installed.
collect_ignore = ["plugin"]
