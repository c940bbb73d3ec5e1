"""Tokens and scopes: who may."""
