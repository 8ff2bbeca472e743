"""The page that says what was done, and how well."""
