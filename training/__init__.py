"""Training: the only place that knows torch."""
