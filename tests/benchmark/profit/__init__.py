"""Money earned by following the kit's advice, in invented businesses with a truth of their own."""
