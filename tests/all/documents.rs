//! What the documents point at is there.

use std::path::{Path, PathBuf};

fn documents(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            documents(&path, into);
        } else if path.extension().is_some_and(|ending| ending == "md") {
            into.push(path);
        }
    }
}

/// What stands between `open` and `close`, wherever it stands.
fn between<'a>(text: &'a str, open: &'a str, close: char) -> impl Iterator<Item = &'a str> {
    text.split(open)
        .skip(1)
        .filter_map(move |rest| rest.split(close).next())
}

#[test]
fn every_link_and_every_path_leads_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut pages = vec![root.join("README.md"), root.join("DEVELOPERS.md")];
    documents(&root.join("docs"), &mut pages);
    assert!(pages.len() > 10);
    let (mut looked_at, mut astray) = (0, Vec::new());
    for page in pages {
        let text = std::fs::read_to_string(&page).unwrap();
        let links = between(&text, "](", ')')
            .filter(|link| !link.contains("://") && !link.starts_with('#'))
            .map(|link| page.parent().unwrap().join(link.split('#').next().unwrap()));
        let paths = between(&text, "`", '`')
            .filter(|word| {
                ["src/", "tests/", "ui/", "docs/", "demo/", "android/"]
                    .iter()
                    .any(|top| word.starts_with(top))
                    && !word.contains(['*', ' ', '…', '<', ':', 'N'])
            })
            .map(|path| root.join(path));
        for path in links.chain(paths) {
            looked_at += 1;
            if !path.exists() {
                astray.push(format!("{}: {}", page.display(), path.display()));
            }
        }
    }
    assert!(looked_at > 100, "{looked_at} links and paths");
    assert!(astray.is_empty(), "{astray:#?}");
}
