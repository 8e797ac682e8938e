"""The mile in kilometers: facts are kept in kilometers, rules and screens speak of miles."""

KM_PER_MILE = 1.609344
"""International mile (NIST SP 811, appendix B: exact; A)."""
