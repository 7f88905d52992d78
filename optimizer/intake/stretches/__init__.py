"""From readings over time to runs: when settings changed, and when the deck had settled."""
