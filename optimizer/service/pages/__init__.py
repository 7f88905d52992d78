"""The pages for people: made on the server, with a small script that only watches for news."""
