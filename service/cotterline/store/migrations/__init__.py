"""The steps that bring a database to today's tables; ``store/migrate.py`` runs them."""
