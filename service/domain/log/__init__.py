"""A log that can only grow: what is in it, how it is hashed, proved and signed.

The tree and its proofs are those of RFC 9162, section 2.1 (``merkle``); a checkpoint is a C2SP signed note
(``checkpoint``); an entry is canonical JSON (``entries``); the readings of a batch are sealed series by series when
they are kept (``seals``), so that a proof shows one probe's readings without its neighbours'.
"""
