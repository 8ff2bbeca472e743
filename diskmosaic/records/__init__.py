"""The frozen records that one stage hands to the next."""
