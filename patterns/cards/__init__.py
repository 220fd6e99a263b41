"""Droplet cards in numbers: from the bytes of a scan to its stains and what they mean.

Bytes and arrays in, frozen dataclasses out; no clock, no settings, no global state.

The modules, in the order of the work: `decode` reads an image, `bed` finds the cards on a scanner
bed, `separate` parts stain from paper, `stains` measures the stains.
"""
