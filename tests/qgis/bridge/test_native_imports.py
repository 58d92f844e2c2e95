"""Libraries that are first imported in a thread of their own, and what starts without them."""

import importlib
import sys
import threading

from turnrow.processing_provider.bridge import native_imports as apart


def test_the_first_import_is_made_in_a_thread_of_its_own(monkeypatch):
    threads = []

    def noted(name):
        threads.append((name, threading.current_thread()))

    monkeypatch.setattr(apart, "LIBRARIES", {"json": "json.never_imported"})
    monkeypatch.setattr(importlib, "import_module", noted)
    apart.import_apart("json")
    ((name, thread),) = threads
    assert name == "json.never_imported"
    assert thread is not threading.current_thread()
    assert not thread.is_alive()


def test_what_is_there_is_not_imported_again(monkeypatch):
    monkeypatch.setattr(threading, "Thread", None)
    monkeypatch.setattr(apart, "LIBRARIES", {"json": "json"})
    assert "json" in sys.modules
    apart.import_apart("json")


def test_a_library_that_is_missing_is_left_to_those_who_need_it(monkeypatch):
    monkeypatch.setattr(threading, "Thread", None)
    monkeypatch.setattr(apart, "LIBRARIES", {"no_such_library": "no_such_library.part"})
    apart.import_apart("no_such_library")
