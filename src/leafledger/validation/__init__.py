"""Expectations that the tables must meet before anything is concluded."""
