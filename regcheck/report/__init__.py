"""Findings for people and machines: terminal, JSON, JUnit."""
