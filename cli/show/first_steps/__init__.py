"""Writes the answers of the commands of the first hour as text."""
