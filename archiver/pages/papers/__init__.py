"""The papers of a deposit: lists, agreement, requests, letters and receipts, for people.

Pages are self-contained HTML with styles for printing, no scripts, nothing from a network;
every text that a person has written is escaped. Letters are plain text that can be mailed.
"""
