"""Droplet cards in numbers: from the bytes of a scan to its stains and what they mean.

Bytes and arrays in, frozen dataclasses out; no clock, no settings, no global state.

The modules, in the order of the work: `decode` reads an image, `bed` finds the cards on a scanner
bed, `separate` parts stain from paper, `stains` measures the stains, `drops` turns stains into
drops, `spectrum` gives their sizes with bounds, `classes` their size class by a named table;
`measure` composes them and `document` writes the result down. `across` lays the cards of a test
side by side, `together` says what they say as one and writes that down, `drift` says what the
figures mean for drift.
"""
