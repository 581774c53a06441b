"""What the service keeps: tables, queries and migrations on SQLite or PostgreSQL."""
