"""Changes of site files over HTTP: the editor of this installation, and its documents."""

from __future__ import annotations

from typing import Any

from api.process.services import Services
from collector.config.reach import host_of
from collector.editing.difference import DiffLine, covered, difference
from collector.editing.editor import SiteEditor
from collector.editing.keep import SiteText
from collector.editing.patch import shown
from forecaster.domain.errors import ConfigError
from forecaster.domain.records import SiteEdit
from forecaster.engine.document import time_text


def editor_of(services: Services) -> SiteEditor:
    """The editor of site files; where others can reach the server, webhooks may lead inside only as before."""
    sites = services.installation.sites.values()
    named = [contact.webhook for site in sites for contact in site.contacts if contact.webhook is not None]
    named += [site.weather.url for site in sites if site.weather is not None]
    allowed = frozenset(map(host_of, named)) if services.login_needed else None
    return SiteEditor(services.installation.folder, services.ledger, services.clock, allowed)


def may_undo(edit: SiteEdit) -> bool:
    """Whether the texts of a change are still there."""
    return edit.before is not None and edit.after is not None


def lines_of(edit: SiteEdit) -> list[DiffLine]:
    """The difference that a change made; none where its texts are dropped."""
    return difference(edit.before, edit.after) if edit.before is not None and edit.after is not None else []


def file_document(known: SiteText) -> dict[str, Any]:
    """A site file as JSON, its secrets covered."""
    return {"site": known.site, "stamp": known.stamp, "content": shown(known.content), "text": covered(known.text)}


def edit_document(edit: SiteEdit) -> dict[str, Any]:
    """A change as JSON."""
    return {
        "id": edit.id,
        "at": time_text(edit.at_ms),
        "who": edit.who,
        "part": edit.part,
        "undoes": edit.undoes,
        "can_undo": may_undo(edit),
        "difference": [line.sign + line.text for line in lines_of(edit)],
    }


def fault_documents(faults: tuple[ConfigError, ...]) -> list[dict[str, str]]:
    """What is wrong, for a problem document."""
    return [{"where": fault.key, "what": f"{fault.problem}; {fault.fix}"} for fault in faults]
