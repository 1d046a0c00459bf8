"""The proof: same tree as the code, plus stories, golden texts and judges that are not ours."""
