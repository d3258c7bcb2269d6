"""Uncertainty of a result from the laboratory's own controls and of its dilution."""
