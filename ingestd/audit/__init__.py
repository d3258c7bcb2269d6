"""Proof and memory: verification, receipts, checkpoints, derivations, archives, backups."""
