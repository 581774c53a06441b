"""The tests of HTTP. A package, because the same nouns name test files beside it."""
