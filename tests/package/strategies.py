"""Hypothesis strategies of the bag: names, manifest lines, elements, hostile bytes."""

from __future__ import annotations

from hypothesis import strategies as st

# Everything that a file name can hold on some system, separators and NUL left out.
components = st.text(
    st.characters(exclude_characters="/\0\\", exclude_categories=["Cs"]), min_size=1, max_size=30
).filter(lambda name: name not in {".", ".."})
paths = st.lists(components, min_size=1, max_size=4).map("/".join)
payload_paths = paths.map(lambda path: f"data/{path}")
sha256_digests = st.binary(min_size=32, max_size=32).map(bytes.hex)
manifest_lines = st.dictionaries(payload_paths, sha256_digests, max_size=8)

labels = st.from_regex(
    r"[A-Za-z0-9À-ÿ](?:[A-Za-z0-9À-ÿ _-]{0,30}[A-Za-z0-9])?", fullmatch=True
).map(lambda label: " ".join(label.split()))
words = st.text(
    st.characters(exclude_categories=["Cs", "Cc", "Zs", "Zl", "Zp"]), min_size=1, max_size=100
).filter(lambda word: not any(letter.isspace() for letter in word))
values = st.lists(words, max_size=20).map(" ".join)
elements = st.lists(st.tuples(labels, values), max_size=8)

hostile_bytes = st.one_of(
    st.binary(max_size=300),
    st.text(st.sampled_from("ab0: \t\r\n%/.~\\*\ufeff\u0085\u2028é"), max_size=200).map(str.encode),
)
