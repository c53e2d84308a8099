"""What a bench should apply so that everything a map requires is exercised: goals, their inversion to channels, an order, a foresight."""
