"""Job kinds that make papers."""
