"""The batch sheet: one page to work by."""
