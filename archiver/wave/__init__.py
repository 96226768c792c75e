"""Captures in, masters out: the RIFF, RF64 and BW64 container and one module per chunk."""
