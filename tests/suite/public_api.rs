//! What the library shows to other programs, kept as a text, so that a change of it is seen where changes are read.
//!
//! The listing is the library as Rust without bodies: each public module with its items, re-exported ones where they are met, each type
//! with its inherent methods and the traits that it is given by hand (derived ones stand over it). It is made from the sources, not by the
//! compiler: what a macro makes is not in it, and features stand as they are written. `BLESS=1 cargo test public_api` writes it anew and
//! fails the run, so that nobody does so by accident.

use crate::nights::root;
use crate::sources::{Place, Sources, attributes, join, name_of, names_of};
use quote::ToTokens;
use std::collections::{BTreeMap, BTreeSet};
use syn::{Attribute, Fields, ImplItem, Item, TraitItem, Type, Visibility, parse_quote};

/// The listing as one source.
fn listing(sources: &Sources) -> String {
    let mut modules = BTreeSet::from([String::new()]);
    let mut new = vec![String::new()];
    while let Some(module) = new.pop() {
        for item in &sources.module(&module).expect("a public module has a source").items {
            if let Item::Mod(inner) = item
                && is_public(&inner.vis)
            {
                let path = join(&module, &inner.ident.to_string());
                modules.insert(path.clone());
                new.push(path);
            }
        }
    }
    let view = View { sources, impls: impls(sources), modules };
    prettyplease::unparse(&syn::File { shebang: None, frontmatter: None, attrs: Vec::new(), items: view.module("") })
}

struct View<'a> {
    sources: &'a Sources,
    /// Public modules, each reached through public ones.
    modules: BTreeSet<String>,
    impls: BTreeMap<Place, Vec<&'a syn::ItemImpl>>,
}

impl View<'_> {
    /// A public module's items without their bodies, in the order of their names.
    fn module(&self, path: &str) -> Vec<Item> {
        let mut out: Vec<(String, Vec<Item>)> = Vec::new();
        for item in &self.sources.module(path).expect("a public module has a source").items {
            match item {
                Item::Mod(inner) if is_public(&inner.vis) => {
                    let (name, attrs) = (&inner.ident, worth_keeping(&inner.attrs));
                    let items = self.module(&join(path, &name.to_string()));
                    out.push((format!("~{name}"), vec![parse_quote!(#(#attrs)* pub mod #name { #(#items)* })]));
                }
                Item::Use(taken) if is_public(&taken.vis) => {
                    let attrs = worth_keeping(&taken.attrs);
                    for (name, from) in self.spelt_out(path, names_of(taken)) {
                        out.push((name.clone(), self.taken(path, &name, &from, &attrs)));
                    }
                }
                item => {
                    let place = |n: &syn::Ident| Place { module: path.to_owned(), name: Some(n.to_string()) };
                    if let (Some(name), Some(bare)) = (name_of(item), bare(item)) {
                        out.push((name.to_string(), self.with_impls(bare, &place(name))));
                    }
                }
            }
        }
        out.sort_by(|(a, _), (b, _)| a.cmp(b));
        out.into_iter().flat_map(|(_, items)| items).collect()
    }

    /// Names that a module takes, each of its own where all of another's are taken.
    fn spelt_out(&self, module: &str, names: Vec<(String, Vec<String>)>) -> Vec<(String, Vec<String>)> {
        let all_of = |from: &[String]| {
            let place = self
                .sources
                .resolve(module, from)
                .filter(|p| p.name.is_none())
                .expect("what is taken whole is a module");
            let items = &self.sources.module(&place.module).expect("it has a source").items;
            let names = items.iter().filter(|i| bare(i).is_some()).filter_map(name_of).map(ToString::to_string);
            names.map(|n| (n.clone(), [from, &[n]].concat())).collect::<Vec<_>>()
        };
        names
            .into_iter()
            .flat_map(|(name, from)| if name == "*" { all_of(&from) } else { vec![(name, from)] })
            .collect()
    }

    /// What a re-export shows: the item itself, where it is not to be had at its own place.
    fn taken(&self, module: &str, name: &str, from: &[String], attrs: &[Attribute]) -> Vec<Item> {
        let place = self.sources.resolve(module, from);
        let own = place.as_ref().filter(|p| !self.modules.contains(&p.module)).and_then(|p| {
            let item =
                self.sources.module(&p.module)?.items.iter().find(|i| name_of(i).map(ToString::to_string) == p.name)?;
            let item = bare(item)?;
            Some(self.with_impls(parse_quote!(#(#attrs)* #item), p))
        });
        own.unwrap_or_else(|| {
            // A name of a public module, or of another crate.
            let whole = place
                .map_or(from.join("::"), |p| join(&join("crate", &p.module), p.name.as_deref().unwrap_or_default()));
            let path: syn::Path = syn::parse_str(whole.trim_end_matches("::")).expect("a path is one");
            let renamed = path.segments.last().is_none_or(|last| last.ident != name);
            let name = syn::Ident::new(name, proc_macro2::Span::call_site());
            vec![if renamed {
                parse_quote!(#(#attrs)* pub use #path as #name;)
            } else {
                parse_quote!(#(#attrs)* pub use #path;)
            }]
        })
    }

    fn with_impls(&self, item: Item, place: &Place) -> Vec<Item> {
        let of_type = self.impls.get(place).into_iter().flatten().filter_map(|i| bare_impl(i));
        std::iter::once(item).chain(of_type.map(Item::Impl)).collect()
    }
}

/// The impls of each type, wherever they stand.
fn impls(sources: &Sources) -> BTreeMap<Place, Vec<&syn::ItemImpl>> {
    let mut out: BTreeMap<Place, Vec<&syn::ItemImpl>> = BTreeMap::new();
    for (module, found) in sources.modules() {
        for item in &found.items {
            if let Item::Impl(one) = item
                && let Type::Path(of) = &*one.self_ty
            {
                let words: Vec<String> = of.path.segments.iter().map(|s| s.ident.to_string()).collect();
                out.entry(sources.resolve(module, &words).unwrap_or(Place { module: String::new(), name: None }))
                    .or_default()
                    .push(one);
            }
        }
    }
    out
}

fn is_public(visibility: &Visibility) -> bool {
    matches!(visibility, Visibility::Public(_))
}

/// Attributes that a caller notices.
fn worth_keeping(attributes: &[Attribute]) -> Vec<Attribute> {
    let noticed = |a: &&Attribute| {
        ["derive", "cfg", "non_exhaustive", "must_use", "deprecated"].iter().any(|n| a.path().is_ident(n))
    };
    let derives =
        |a: &&Attribute| a.path().is_ident("cfg_attr") && a.meta.to_token_stream().to_string().contains("derive");
    attributes.iter().filter(|a| noticed(a) || derives(a)).cloned().collect()
}

/// A public item without its body, its private fields and its words.
fn bare(item: &Item) -> Option<Item> {
    let kept = worth_keeping(attributes(item));
    Some(match item.clone() {
        Item::Fn(mut i) if is_public(&i.vis) => {
            (i.attrs, i.block) = (kept, parse_quote!({}));
            as_called(&mut i.sig);
            Item::Fn(i)
        }
        Item::Const(mut i) if is_public(&i.vis) => {
            (i.attrs, i.expr) = (kept, parse_quote!(_));
            Item::Const(i)
        }
        Item::Static(mut i) if is_public(&i.vis) => {
            (i.attrs, i.expr) = (kept, parse_quote!(_));
            Item::Static(i)
        }
        Item::Type(mut i) if is_public(&i.vis) => {
            i.attrs = kept;
            Item::Type(i)
        }
        Item::Struct(mut i) if is_public(&i.vis) => {
            i.attrs = kept;
            if bare_fields(&mut i.fields, true) {
                i.attrs.push(parse_quote!(#[doc = " and what is private"]));
            }
            Item::Struct(i)
        }
        Item::Enum(mut i) if is_public(&i.vis) => {
            i.attrs = kept;
            for variant in &mut i.variants {
                variant.attrs = worth_keeping(&variant.attrs);
                bare_fields(&mut variant.fields, false);
            }
            Item::Enum(i)
        }
        Item::Trait(mut i) if is_public(&i.vis) => {
            i.attrs = kept;
            for inner in &mut i.items {
                if let TraitItem::Fn(f) = inner {
                    f.attrs = worth_keeping(&f.attrs);
                    f.default = f.default.as_ref().map(|_| parse_quote!({}));
                }
            }
            Item::Trait(i)
        }
        _ => return None,
    })
}

/// Leaves out what a body alone wants: `mut` before an argument's name.
fn as_called(signature: &mut syn::Signature) {
    for argument in &mut signature.inputs {
        match argument {
            syn::FnArg::Receiver(r) => r.mutability = None,
            syn::FnArg::Typed(t) => {
                if let syn::Pat::Ident(name) = &mut *t.pat {
                    name.mutability = None;
                }
            }
        }
    }
}

/// Leaves a type's public fields; whether there were others.
fn bare_fields(fields: &mut Fields, only_public: bool) -> bool {
    let before = fields.len();
    let is_shown = |f: &syn::Field| !only_public || is_public(&f.vis);
    let hidden = fields.iter().any(|f| !is_shown(f));
    match fields {
        Fields::Named(named) => {
            let kept = std::mem::take(&mut named.named).into_iter().filter(is_shown);
            named.named = kept.collect();
        }
        Fields::Unnamed(unnamed) => {
            for field in unnamed.unnamed.iter_mut().filter(|f| !is_shown(f)) {
                (field.ty, field.vis) = (parse_quote!(_), Visibility::Inherited);
            }
        }
        Fields::Unit => {}
    }
    for field in fields.iter_mut() {
        field.attrs = worth_keeping(&field.attrs);
    }
    hidden && before != fields.len()
}

/// An impl as a caller sees it; nothing where it shows nothing.
fn bare_impl(of: &syn::ItemImpl) -> Option<syn::ItemImpl> {
    let mut out = of.clone();
    out.attrs = worth_keeping(&out.attrs);
    if out.trait_.is_some() {
        out.items.retain(|i| matches!(i, ImplItem::Type(_)));
        return Some(out);
    }
    out.items.retain(|i| match i {
        ImplItem::Fn(f) => is_public(&f.vis),
        ImplItem::Const(c) => is_public(&c.vis),
        _ => false,
    });
    for item in &mut out.items {
        match item {
            ImplItem::Fn(f) => {
                (f.attrs, f.block) = (worth_keeping(&f.attrs), parse_quote!({}));
                as_called(&mut f.sig);
            }
            ImplItem::Const(c) => (c.attrs, c.expr) = (worth_keeping(&c.attrs), parse_quote!(_)),
            _ => {}
        }
    }
    (!out.items.is_empty()).then_some(out)
}

#[test]
fn the_public_api_is_the_one_that_is_kept() {
    let kept = root().join("tests/data/public-api.txt");
    let now = listing(&Sources::read());
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&kept, &now).unwrap();
        panic!("the public API was written anew");
    }
    let before = std::fs::read_to_string(&kept).unwrap().replace("\r\n", "\n");
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<BTreeSet<_>>();
    let (old, new) = (lines(&before), lines(&now));
    let gone = old.difference(&new).map(|l| format!("- {l}"));
    let come = new.difference(&old).map(|l| format!("+ {l}"));
    let changes: Vec<String> = gone.chain(come).collect();
    assert!(now == before, "the public API changed (BLESS=1 keeps it):\n{}", changes.join("\n"));
}

#[test]
fn a_listing_shows_what_a_caller_sees_and_no_more() {
    let texts = [
        ("", "pub mod room; mod hidden; pub use room::Shown as Renamed; #[cfg(feature = \"x\")] pub use hidden::deep;"),
        (
            "room",
            "mod inner; pub use inner::{Type, LIMIT}; pub(crate) use inner::Secret; /// Words.\n pub struct Shown(pub f64, u8);
             impl Shown { pub fn value(&self) -> f64 { self.0 } fn own(&self) {} }",
        ),
        (
            "room::inner",
            "use super::Shown; #[derive(Debug)] pub struct Type { pub a: Shown, b: u8 } pub struct Secret; pub const LIMIT: f64 = 3.0;
             impl std::fmt::Display for Type { fn fmt(&self) {} }",
        ),
        ("hidden", "pub fn deep(mut of: &crate::room::Type) -> usize { 3 } pub fn unseen() {}"),
    ];
    let sources = Sources::parse(&texts.map(|(m, t)| (m.to_owned(), t.to_owned())).into());
    let expected = "pub use crate::room::Shown as Renamed;
#[cfg(feature = \"x\")]
pub fn deep(of: &crate::room::Type) -> usize {}
pub mod room {
    pub const LIMIT: f64 = _;
    pub struct Shown(pub f64, _);
    impl Shown {
        pub fn value(&self) -> f64 {}
    }
    #[derive(Debug)]
    /// and what is private
    pub struct Type {
        pub a: Shown,
    }
    impl std::fmt::Display for Type {}
}
";
    let found = listing(&sources);
    assert!(found == expected, "{found}");
}
