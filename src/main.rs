fn main(){ let p=std::path::PathBuf::from(std::env::args().nth(1).unwrap()); let t=std::fs::read_to_string(&p).unwrap();
 let s=moonloom::simulate::Scenario::parse(&p,&t).unwrap_or_else(|d|{eprintln!("{d}");std::process::exit(2)});
 moonloom::simulate::rehearse(&s,std::path::Path::new(&std::env::args().nth(2).unwrap()),&|p|eprintln!("{}",p.display())).unwrap(); }
