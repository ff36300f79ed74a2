"""The local-descriptor arm: small patches that vote for photos, then geometry decides."""
