"""Plan, carry out and prove a change of the working fluid of a wet system."""

__version__ = "0.1.0"
