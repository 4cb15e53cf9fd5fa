"""Answers, the page of `show`, record and pictures: text, pages and plots made from a job at one moment."""
