"""Whole files and folders or none, also after a kill; files of others read without trusting them."""
