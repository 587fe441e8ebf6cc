//! Rewrites a file so that each change stands in it and a number says which one holds.

use proc_macro2::{Span, TokenStream};
use quote::quote;
use serde_json::Value;
use std::collections::BTreeSet;
use std::error::Error;
use syn::spanned::Spanned;
use syn::visit_mut::{self, VisitMut};
use syn::{Block, Expr, LitInt, Signature, parse_quote};

/// One change, as cargo-mutants lists it.
pub struct Change {
    /// Its place in the list.
    pub number: u32,
    /// The file, from the crate's folder.
    pub file: String,
    /// Where it begins, both counted from 1.
    pub line: usize,
    /// See `line`.
    pub column: usize,
    genre: String,
    function: String,
    returns: String,
    replacement: String,
}

impl Change {
    /// Reads an entry of the list.
    pub fn of(at: usize, listed: &Value) -> Option<Self> {
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        let start = &listed["span"]["start"];
        let count = |value: &Value| usize::try_from(value.as_u64()?).ok();
        Some(Self {
            number: u32::try_from(at).ok()?,
            file: text(&listed["file"]),
            line: count(&start["line"])?,
            column: count(&start["column"])?,
            genre: text(&listed["genre"]),
            function: text(&listed["function"]["function_name"]),
            returns: text(&listed["function"]["return_type"]),
            replacement: text(&listed["replacement"]),
        })
    }

    /// What it is, for people.
    pub fn name(&self) -> String {
        let Self {
            file,
            line,
            column,
            function,
            genre,
            replacement,
            ..
        } = self;
        format!("{file}:{line}:{column} {function}: {genre} -> {replacement:?}")
    }

    /// Whether its file's path holds this.
    pub fn is_in(&self, part: &str) -> bool {
        self.file.contains(part)
    }
}

/// Rewrites a file.
///
/// * `constant`: functions that must stay constant; nothing in them can be switched
/// * returns: the text, and the numbers that stand in it
pub fn switched(
    original: &str,
    changes: &[&Change],
    constant: &BTreeSet<String>,
) -> Result<(String, BTreeSet<u32>), Box<dyn Error>> {
    let mut file = syn::parse_file(original)?;
    let mut switcher = Switcher {
        changes,
        constant,
        built: BTreeSet::new(),
    };
    switcher.visit_file_mut(&mut file);
    Ok((prettyplease::unparse(&file), switcher.built))
}

struct Switcher<'a> {
    changes: &'a [&'a Change],
    constant: &'a BTreeSet<String>,
    built: BTreeSet<u32>,
}

fn literal(number: u32) -> LitInt {
    LitInt::new(&format!("{number}u32"), Span::call_site())
}

/// Whether a chain of conditions binds something.
fn has_let(expr: &Expr) -> bool {
    match expr {
        Expr::Let(_) => true,
        Expr::Binary(binary) => has_let(&binary.left) || has_let(&binary.right),
        Expr::Paren(inner) => has_let(&inner.expr),
        _ => false,
    }
}

impl<'a> Switcher<'a> {
    fn at(&self, span: Span, genre: &str) -> Vec<&'a Change> {
        let start = span.start();
        let here =
            |change: &&&Change| (change.line, change.column) == (start.line, start.column + 1) && change.genre == genre;
        self.changes.iter().filter(here).copied().collect()
    }

    /// The expression as it is, then as each change makes it. As it is comes first: it says what type all of them must have.
    fn choice(&mut self, as_it_is: &Expr, changed: Vec<(u32, Expr)>) -> Expr {
        self.built.extend(changed.iter().map(|(number, _)| *number));
        let numbers: Vec<LitInt> = changed.iter().map(|(number, _)| literal(*number)).collect();
        let exprs = changed.iter().map(|(_, expr)| expr);
        parse_quote!((match crate::changed() {
            asked if #(asked != #numbers)&&* => #as_it_is,
            #(#numbers => #exprs,)*
            _ => ::std::unreachable!(),
        }))
    }

    /// Lets a function return at once what its changes say.
    fn early(&mut self, block: &mut Block, lines: std::ops::RangeInclusive<usize>, name: &str) {
        for change in self.changes.iter().rev() {
            let is_it = change.function == name || change.function.ends_with(&format!("::{name}"));
            if change.genre != "FnValue" || !is_it || !lines.contains(&change.line) || change.returns.contains("impl ")
            {
                continue;
            }
            let Ok(value) = syn::parse_str::<Expr>(&change.replacement) else {
                continue;
            };
            if self.built.insert(change.number) {
                let number = literal(change.number);
                block
                    .stmts
                    .insert(0, parse_quote!(if crate::changed() == #number { return #value; }));
            }
        }
    }

    /// Whether the function can ask for the number: one that a constant calls cannot, any other need not be constant.
    fn can_ask(&self, signature: &mut Signature) -> bool {
        let stays = signature.constness.is_some() && self.constant.contains(&signature.ident.to_string());
        if !stays {
            signature.constness = None;
        }
        !stays
    }
}

fn lines(block: &Block) -> std::ops::RangeInclusive<usize> {
    block.span().start().line..=block.span().end().line
}

impl VisitMut for Switcher<'_> {
    fn visit_item_const_mut(&mut self, _: &mut syn::ItemConst) {}
    fn visit_item_static_mut(&mut self, _: &mut syn::ItemStatic) {}
    fn visit_impl_item_const_mut(&mut self, _: &mut syn::ImplItemConst) {}
    fn visit_trait_item_const_mut(&mut self, _: &mut syn::TraitItemConst) {}

    fn visit_item_fn_mut(&mut self, function: &mut syn::ItemFn) {
        if self.can_ask(&mut function.sig) {
            let lines = lines(&function.block);
            visit_mut::visit_item_fn_mut(self, function);
            self.early(&mut function.block, lines, &function.sig.ident.to_string());
        }
    }

    fn visit_impl_item_fn_mut(&mut self, function: &mut syn::ImplItemFn) {
        if self.can_ask(&mut function.sig) {
            let lines = lines(&function.block);
            visit_mut::visit_impl_item_fn_mut(self, function);
            self.early(&mut function.block, lines, &function.sig.ident.to_string());
        }
    }

    fn visit_expr_mut(&mut self, expr: &mut Expr) {
        match expr {
            Expr::Binary(binary) => {
                let changes = self.at(binary.op.span(), "BinaryOperator");
                let (left, right) = (binary.left.clone(), binary.right.clone());
                visit_mut::visit_expr_binary_mut(self, binary);
                if changes.is_empty() || has_let(&left) || has_let(&right) {
                    return;
                }
                let changed = changes.iter().filter_map(|change| {
                    let op: TokenStream = change.replacement.parse().ok()?;
                    let assigns =
                        op.to_string().ends_with('=') && !["==", "!=", "<=", ">="].contains(&&*change.replacement);
                    let tokens = if assigns {
                        quote!(#left #op (#right))
                    } else {
                        quote!((#left) #op (#right))
                    };
                    Some((change.number, syn::parse2(tokens).ok()?))
                });
                let changed = changed.collect();
                *expr = self.choice(&expr.clone(), changed);
            }
            Expr::Unary(unary) => {
                let changes = self.at(unary.op.span(), "UnaryOperator");
                let without = (*unary.expr).clone();
                visit_mut::visit_expr_unary_mut(self, unary);
                if !changes.is_empty() {
                    let changed = changes.iter().map(|change| (change.number, without.clone())).collect();
                    *expr = self.choice(&expr.clone(), changed);
                }
            }
            Expr::Match(each) => {
                let found: Vec<_> = each
                    .arms
                    .iter()
                    .map(|arm| {
                        let guard = arm
                            .guard
                            .as_ref()
                            .map(|(_, guard)| self.at(guard.span(), "MatchArmGuard"));
                        (guard.unwrap_or_default(), self.at(arm.pat.span(), "MatchArm"))
                    })
                    .collect();
                visit_mut::visit_expr_match_mut(self, each);
                for (arm, (guards, deleted)) in each.arms.iter_mut().zip(found) {
                    if let Some((_, guard)) = arm.guard.as_mut().filter(|_| !guards.is_empty()) {
                        let changed = guards
                            .iter()
                            .filter_map(|change| Some((change.number, syn::parse_str(&change.replacement).ok()?)));
                        let changed = changed.collect();
                        **guard = self.choice(guard, changed);
                    }
                    for change in deleted {
                        let number = literal(change.number);
                        self.built.insert(change.number);
                        let guard: Expr = match &arm.guard {
                            Some((_, guard)) => parse_quote!(crate::changed() != #number && (#guard)),
                            None => parse_quote!(crate::changed() != #number),
                        };
                        arm.guard = Some((Default::default(), Box::new(guard)));
                    }
                }
            }
            _ => visit_mut::visit_expr_mut(self, expr),
        }
    }
}
