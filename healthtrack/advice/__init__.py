"""What to check first, what it takes, and the cautions that go with it; a plan for a fleet."""

from healthtrack.advice.advise import advise, of_all
from healthtrack.advice.calendar import calendar, identifier
from healthtrack.advice.plan import PlanItem, Service, plan, table

__all__ = ["PlanItem", "Service", "advise", "calendar", "identifier", "of_all", "plan", "table"]
