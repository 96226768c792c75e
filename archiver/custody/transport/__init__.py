"""Transport: how bytes reach a place that is not ours, and stay there as they were sent."""
