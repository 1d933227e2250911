"""A month handed on: one page, pictures, a bundle."""
