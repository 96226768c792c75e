"""The sample session: its generator, and the tests that hold it to its truth."""
