"""Sections as the drawing office struck them: tangent arcs, straights, conics."""
