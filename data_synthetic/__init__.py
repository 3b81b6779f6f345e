"""Synthetic records of a clinic that does not exist, with the truth that was planted in them."""
