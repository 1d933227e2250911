"""Looking back and aside: the ledger, results, why a bid changed, what if."""
