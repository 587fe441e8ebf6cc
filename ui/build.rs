//! Compiles `ui/app.slint` when the touch app is built; without the `ui` feature there is nothing to do.

fn main() {
    #[cfg(feature = "ui")]
    compile_ui();
}

#[cfg(feature = "ui")]
fn compile_ui() {
    use slint_build::{CompilerConfiguration, DefaultTranslationContext};
    // The screen tests find elements by label, which needs debug information; a release needs none.
    let debug_info = std::env::var("PROFILE").is_ok_and(|profile| profile != "release");
    let config = CompilerConfiguration::new()
        .with_debug_info(debug_info)
        .with_bundled_translations("ui/lang")
        .with_default_translation_context(DefaultTranslationContext::None)
        .embed_resources(slint_build::EmbedResourcesKind::EmbedFiles)
        .with_style("fluent".into());
    if let Err(error) = slint_build::compile_with_config("ui/app.slint", config) {
        eprintln!("{error}");
        std::process::exit(1);
    }
}
