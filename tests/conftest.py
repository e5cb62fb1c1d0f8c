"""The example plug-in is a distribution of its own: it is tested from its own folder, once installed."""

collect_ignore = ["plugin"]
