//! The fuzzer of [`rinsebook_fuzz::pack`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::pack(data);
});
