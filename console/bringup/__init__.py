"""Bringing a whole board up by its plan: who carries the stages out, and how the plan stands."""
