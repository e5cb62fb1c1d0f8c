"""How much must be recorded to show a rate, and whether the recording so far is enough."""

from teachlab.questions.plan.answer import PlanAnswer, plan

__all__ = ["PlanAnswer", "plan"]
