"""Tests of fit reports."""
