"""See the contributors' guide for what lives here."""
