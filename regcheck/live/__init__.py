"""A live bus: what is polled and heard, recorded as it comes, and handed on in small batches."""
