"""What routes depend on: the services, the principal who asks, and a site that this principal may see."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Path, Request

from api.http.security import Principal, principal, require_operate, require_site
from api.process.services import Services
from forecaster.domain.site import Site


def services(request: Request) -> Services:
    """The services of this application."""
    found: Services = request.app.state.services
    return found


ServicesIn = Annotated[Services, Depends(services)]
PrincipalIn = Annotated[Principal, Depends(principal)]
SITE_ID = r"^[a-z0-9-]{1,64}$"
SiteId = Annotated[str, Path(description="Site id", pattern=SITE_ID)]


def visible_site(site: SiteId, who: PrincipalIn, services: ServicesIn) -> Site:
    """The site named in the path; 404 where it does not exist or the principal may not see it."""
    require_site(who, site)
    return services.site(site)


def operator(who: PrincipalIn) -> Principal:
    """The principal, if it may change things; 403 otherwise."""
    require_operate(who)
    return who


SiteIn = Annotated[Site, Depends(visible_site)]
OperatorIn = Annotated[Principal, Depends(operator)]
