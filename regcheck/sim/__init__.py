"""A simulated device: a board, its faults, a host that polls it, and whole trials made from recipes; stands beside the rooms."""
