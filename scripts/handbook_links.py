"""For the build of the handbook: links from pages to files of the project beside them.

Such a file is no page of the site. Its link becomes its path as words; one that leads nowhere fails the build.
"""

import re
from pathlib import Path

from mkdocs.exceptions import PluginError

LINK = re.compile(r"\[([^\]]*)\]\(((?:\.\./)+[^)#\s]+)\)")


def on_page_markdown(markdown, page, config, files):
    docs = Path(config.docs_dir).resolve()
    here = docs / Path(page.file.src_uri).parent

    def written(link):
        target = (here / link[2]).resolve()
        if target.is_relative_to(docs):
            return link[0]
        if not target.exists():
            raise PluginError(f"{page.file.src_uri}: {link[2]} is not there")
        path = target.relative_to(docs.parent).as_posix()
        named = link[1].strip("`") in (path, target.name)
        return f"`{path}`" if named else f"{link[1]} (`{path}`)"

    return LINK.sub(written, markdown)
