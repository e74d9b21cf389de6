"""The record on disk: the chain of commits, their batches, and the catalogue made from them."""
