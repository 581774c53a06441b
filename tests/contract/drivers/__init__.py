"""Programs written against generated clients; ``test_clients.py`` puts them beside one, checks them and runs them."""
