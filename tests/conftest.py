"""For all tests: which examples are drawn, and what is not collected here.

The same commit must get the same verdict twice, so examples are drawn from a seed that belongs to each test.
`--hypothesis-profile=search` draws new ones: run it before a release and after a change of an algorithm, and
keep what it finds as an `@example`.
"""

import os

from hypothesis import HealthCheck, settings

# What is printed for people is compared as text: one width and no colour, whatever the terminal or the service
# that runs the tests asks for (some services ask for colour by variables of their own).
for name in ("FORCE_COLOR", "CLICOLOR_FORCE", "PY_COLORS", "GITHUB_ACTIONS", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
    os.environ.pop(name, None)
os.environ["COLUMNS"] = "80"

# How long an example takes, or takes to be drawn, says how busy the computer is: nothing about the product.
settings.register_profile(
    "same", derandomize=True, database=None, print_blob=True, deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.register_profile("search", derandomize=False, print_blob=True, deadline=None)
settings.load_profile("same")

# The example plug-in is a distribution of its own: it is tested from its own folder, once installed.
collect_ignore = ["plugin"]
