"""Archives demonstration sessions of historic sound-recording machines."""

__all__ = ["__version__"]

__version__ = "0.1.0"
