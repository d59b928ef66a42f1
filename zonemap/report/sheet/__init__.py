"""The sheet (PDF): a page for the grower for each product and pass, and the specialist's pages behind them."""
