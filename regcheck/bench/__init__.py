"""What the bench applied: stimulus log, sensor models, applied curves, the capture's clock."""
