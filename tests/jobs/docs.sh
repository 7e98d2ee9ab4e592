# For contributors: private items are documented, so links to them are right.
RUSTDOCFLAGS="-D warnings -A rustdoc::private_intra_doc_links" \
    exec cargo doc --locked --workspace --no-deps --document-private-items --quiet
