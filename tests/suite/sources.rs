//! The crate's sources as syntax: which module holds what, and where a path leads, through whatever imports and re-exports.

use crate::nights::root;
use std::collections::BTreeMap;
use std::path::Path;
use syn::visit::Visit;
use syn::{Item, UseTree};

/// Each module by its path from the crate's root (`solve::face`; the root itself is empty), without its unit tests.
pub struct Sources {
    modules: BTreeMap<String, Module>,
}

/// What stands in one module.
pub struct Module {
    pub items: Vec<Item>,
    /// Names that it takes from elsewhere, and from where.
    imports: Vec<Import>,
}

struct Import {
    /// `*` where all of a module's names are taken.
    name: String,
    path: Vec<String>,
}

/// Where a path leads: a module, or a name that is defined in one.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    pub module: String,
    pub name: Option<String>,
}

/// What a path of this crate's own begins with.
const ROOTS: [&str; 3] = ["crate", "self", "super"];

impl Sources {
    /// The sources under `src`, as they are now.
    pub fn read() -> Self {
        let src = root().join("src");
        let mut texts = BTreeMap::new();
        collect(&src, &src, &mut texts);
        Self::parse(&texts)
    }

    /// Sources from their texts.
    pub fn parse(texts: &BTreeMap<String, String>) -> Self {
        let mut modules = BTreeMap::new();
        for (module, text) in texts {
            let file = syn::parse_file(text).unwrap_or_else(|e| panic!("{module}: {e}"));
            insert(module.clone(), file.items, &mut modules);
        }
        Self { modules }
    }

    pub fn modules(&self) -> impl Iterator<Item = (&str, &Module)> {
        self.modules.iter().map(|(path, module)| (path.as_str(), module))
    }

    pub fn module(&self, path: &str) -> Option<&Module> {
        self.modules.get(path)
    }

    /// Where `path`, written in the module `from`, leads; nothing where it leaves the crate.
    pub fn resolve(&self, from: &str, path: &[String]) -> Option<Place> {
        self.follow(from, path, 0)
    }

    fn follow(&self, from: &str, path: &[String], depth: usize) -> Option<Place> {
        let mut at = from.to_owned();
        let mut rest = path.iter().map(String::as_str).peekable();
        let is_ours = rest.peek().is_some_and(|w| ROOTS.contains(w));
        while let Some(word) = rest.next_if(|w| ROOTS.contains(w)) {
            match word {
                "crate" => at.clear(),
                "super" => at = parent(&at).to_owned(),
                _ => {}
            }
        }
        let mut place = Place { module: at, name: None };
        for word in rest {
            place = match self.step(&place.module, word, depth) {
                Some(next) => next,
                // A name that a macro makes, say: it is as deep as is seen.
                None if is_ours => return Some(Place { name: Some(word.to_owned()), ..place }),
                None => return None,
            };
            // What is inside a type, its variants say, is at the type's place.
            if place.name.is_some() {
                break;
            }
        }
        Some(place)
    }

    /// Where the name `word` of the module `module` leads.
    fn step(&self, module: &str, word: &str, depth: usize) -> Option<Place> {
        let child = join(module, word);
        if self.modules.contains_key(&child) {
            return Some(Place { module: child, name: None });
        }
        let here = self.modules.get(module)?;
        if here.items.iter().any(|i| name_of(i).is_some_and(|n| n == word)) {
            return Some(Place { module: module.to_owned(), name: Some(word.to_owned()) });
        }
        if depth > 8 {
            return None;
        }
        let named = here.imports.iter().find(|i| i.name == word).and_then(|i| self.follow(module, &i.path, depth + 1));
        named.or_else(|| {
            here.imports.iter().filter(|i| i.name == "*").find_map(|i| {
                let from = self.follow(module, &i.path, depth + 1).filter(|p| p.name.is_none())?;
                self.step(&from.module, word, depth + 1)
            })
        })
    }

    /// Where everything leads that a module names by a path of this crate.
    pub fn uses(&self, module: &str) -> Vec<Place> {
        let mut paths = Paths(Vec::new());
        self.modules[module].items.iter().for_each(|item| paths.visit_item(item));
        paths.0.iter().filter_map(|path| self.resolve(module, path)).collect()
    }
}

/// All paths that begin at `crate`, `self` or `super`.
struct Paths(Vec<Vec<String>>);

impl<'a> Visit<'a> for Paths {
    fn visit_item_use(&mut self, item: &'a syn::ItemUse) {
        let all = imports_of(&item.tree).into_iter().map(|i| i.path);
        self.0.extend(all.filter(|p| p.first().is_some_and(|w| ROOTS.contains(&w.as_str()))));
    }

    fn visit_path(&mut self, path: &'a syn::Path) {
        let words: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        if words.len() > 1 && ROOTS.contains(&words[0].as_str()) {
            self.0.push(words);
        }
        syn::visit::visit_path(self, path);
    }

    /// What stands in a macro's brackets is no syntax yet: its words are read one after another.
    fn visit_macro(&mut self, called: &'a syn::Macro) {
        self.scan(called.tokens.clone());
        syn::visit::visit_macro(self, called);
    }
}

impl Paths {
    fn scan(&mut self, tokens: proc_macro2::TokenStream) {
        use proc_macro2::TokenTree;
        let (mut path, mut colons) = (Vec::new(), 0);
        let mut end = |path: &mut Vec<String>| {
            if path.len() > 1 {
                self.0.push(std::mem::take(path));
            }
            path.clear();
        };
        let mut groups = Vec::new();
        for token in tokens {
            match token {
                TokenTree::Ident(word) if colons == 2 && !path.is_empty() => path.push(word.to_string()),
                TokenTree::Ident(word) => {
                    end(&mut path);
                    path.extend(Some(word.to_string()).filter(|w| colons == 0 && ROOTS.contains(&w.as_str())));
                }
                TokenTree::Punct(mark) if mark.as_char() == ':' => {
                    colons += 1;
                    continue;
                }
                TokenTree::Group(group) => {
                    end(&mut path);
                    groups.push(group.stream());
                }
                _ => end(&mut path),
            }
            colons = 0;
        }
        end(&mut path);
        groups.into_iter().for_each(|stream| self.scan(stream));
    }
}

fn collect(folder: &Path, src: &Path, out: &mut BTreeMap<String, String>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, src, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.insert(module_of(path.strip_prefix(src).unwrap()), std::fs::read_to_string(&path).unwrap());
        }
    }
}

/// A source's own name as its path from `src`, without `mod`: `solve/face/mod.rs` is `solve::face`, `lib.rs` nothing.
fn module_of(relative: &Path) -> String {
    let path = relative.with_extension("").to_string_lossy().replace(['/', '\\'], "::");
    match path.strip_suffix("::mod") {
        _ if path == "lib" => String::new(),
        Some(folder) => folder.to_owned(),
        None => path,
    }
}

fn insert(path: String, items: Vec<Item>, out: &mut BTreeMap<String, Module>) {
    let mut module = Module { items: Vec::new(), imports: Vec::new() };
    for item in items {
        match item {
            item if is_test(attributes(&item)) => {}
            Item::Mod(inner) if inner.content.is_some() => {
                let name = join(&path, &inner.ident.to_string());
                insert(name, inner.content.map(|(_, items)| items).unwrap_or_default(), out);
            }
            Item::Use(taken) => {
                module.imports.extend(imports_of(&taken.tree));
                module.items.push(Item::Use(taken));
            }
            other => module.items.push(other),
        }
    }
    out.insert(path, module);
}

/// The names that a `use` brings, each with its path.
fn imports_of(tree: &UseTree) -> Vec<Import> {
    let mut out = Vec::new();
    spell_out(tree, &mut Vec::new(), &mut out);
    out
}

fn spell_out(tree: &UseTree, before: &mut Vec<String>, out: &mut Vec<Import>) {
    let mut import = |name: &str, last: Option<&syn::Ident>| {
        let mut path = before.clone();
        path.extend(last.map(ToString::to_string).filter(|w| w != "self"));
        let name = if name == "self" { path.last().cloned().unwrap_or_default() } else { name.to_owned() };
        out.push(Import { name, path });
    };
    match tree {
        UseTree::Name(n) => import(&n.ident.to_string(), Some(&n.ident)),
        UseTree::Rename(r) => import(&r.rename.to_string(), Some(&r.ident)),
        UseTree::Glob(_) => import("*", None),
        UseTree::Path(p) => {
            before.push(p.ident.to_string());
            spell_out(&p.tree, before, out);
            before.pop();
        }
        UseTree::Group(g) => g.items.iter().for_each(|t| spell_out(t, before, out)),
    }
}

/// The names under which a `use` makes things known, each with its path.
pub fn names_of(item: &syn::ItemUse) -> Vec<(String, Vec<String>)> {
    imports_of(&item.tree).into_iter().map(|i| (i.name, i.path)).collect()
}

/// A module's path, and a name in it.
pub fn join(module: &str, name: &str) -> String {
    if module.is_empty() { name.to_owned() } else { format!("{module}::{name}") }
}

/// The module in which a module stands.
pub fn parent(module: &str) -> &str {
    module.rsplit_once("::").map_or("", |(before, _)| before)
}

/// The name that an item defines.
pub fn name_of(item: &Item) -> Option<&syn::Ident> {
    match item {
        Item::Const(i) => Some(&i.ident),
        Item::Enum(i) => Some(&i.ident),
        Item::Fn(i) => Some(&i.sig.ident),
        Item::Static(i) => Some(&i.ident),
        Item::Struct(i) => Some(&i.ident),
        Item::Trait(i) => Some(&i.ident),
        Item::Type(i) => Some(&i.ident),
        Item::Union(i) => Some(&i.ident),
        _ => None,
    }
}

/// What is written over an item in `#[…]`.
pub fn attributes(item: &Item) -> &[syn::Attribute] {
    match item {
        Item::Const(i) => &i.attrs,
        Item::Enum(i) => &i.attrs,
        Item::Fn(i) => &i.attrs,
        Item::Impl(i) => &i.attrs,
        Item::Mod(i) => &i.attrs,
        Item::Static(i) => &i.attrs,
        Item::Struct(i) => &i.attrs,
        Item::Trait(i) => &i.attrs,
        Item::Type(i) => &i.attrs,
        Item::Union(i) => &i.attrs,
        Item::Use(i) => &i.attrs,
        _ => &[],
    }
}

fn is_test(attributes: &[syn::Attribute]) -> bool {
    let is_test_alone =
        |a: &syn::Attribute| a.path().is_ident("cfg") && a.parse_args::<syn::Ident>().is_ok_and(|i| i == "test");
    attributes.iter().any(is_test_alone)
}
