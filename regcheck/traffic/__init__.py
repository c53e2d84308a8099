"""Recorded traffic: capture readers and writers, wires put together to transfers, batches of messages."""
