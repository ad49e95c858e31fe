"""From mould line to metal: frame lines, offsets, blocks, templates, proof."""
