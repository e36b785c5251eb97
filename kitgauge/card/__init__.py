"""The field card: a kit's limits on one page, for the phone or printed for the pocket."""
