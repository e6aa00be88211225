"""The service: one process that shows the pages, takes logs in by HTTP and from a folder, and lets nobody else in.

    request -> guard (Host, Origin, sign-in)  -> pages (Streamlit)
                                              -> api (tokens, limits) -> desk
    folder  -> watcher                                                -> desk
                                                                         desk: archive or spool, then counters,
                                                                               one line of log, alerts

`app` puts it together, `openapi` describes the API, `access` answers who may do what.
"""

from dashboard.service.app import HOST, MAX_UPLOAD_MB, PORT, application, serve, settings, trusted_hosts

__all__ = ["HOST", "MAX_UPLOAD_MB", "PORT", "application", "serve", "settings", "trusted_hosts"]
