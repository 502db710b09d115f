"""Bytes from public hosts: allowed hosts, single requests, remote files with retries, and what is stored of them."""
