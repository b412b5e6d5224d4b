"""Measures finished cakes from photographs; the modules are the stages of the work (see DEVELOPERS.md)."""

__version__ = "0.1.0"
