"""Loft a missing fuselage frame from what is left around it."""
