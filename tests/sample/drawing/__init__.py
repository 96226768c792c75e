"""A small renderer for the pictures of the sample session, made of rays and arithmetic."""
