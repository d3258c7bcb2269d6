"""The journal: a Merkle log with canonical entries, signed checkpoints and proofs."""
