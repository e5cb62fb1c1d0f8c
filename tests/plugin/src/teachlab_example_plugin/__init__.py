"""An example of a strategy that lives outside teachlab: it needs `teachlab.model` and `teachlab.errors` only."""

from teachlab_example_plugin.ratio_midpoint import RatioMidpoint

__all__ = ["RatioMidpoint"]
