package access

import (
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	accessv1 "spindlewright/pkg/gen/spindlewright/access/v1"
)

// foreign holds the rules of services whose contracts are not ours and so
// cannot state one: every method of the service.
var foreign = map[string]*accessv1.Rule{
	"grpc.health.v1.Health":                    {Open: true},
	"grpc.reflection.v1.ServerReflection":      {Allow: []accessv1.Role{accessv1.Role_ROLE_OPERATOR}},
	"grpc.reflection.v1alpha.ServerReflection": {Allow: []accessv1.Role{accessv1.Role_ROLE_OPERATOR}},
}

// nobody is the rule of a method that states none.
var nobody = &accessv1.Rule{}

// RuleOf gives the rule of a method ("/package.Service/Method"), as its
// contract states it. A method without a rule, or without a known contract,
// has one that lets nobody in.
func RuleOf(fullMethod string) *accessv1.Rule {
	service, method, ok := strings.Cut(strings.TrimPrefix(fullMethod, "/"), "/")
	if !ok {
		return nobody
	}
	if r, ok := foreign[service]; ok {
		return r
	}
	name := protoreflect.FullName(service + "." + method)
	if !name.IsValid() {
		return nobody
	}
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return nobody
	}
	m, ok := d.(protoreflect.MethodDescriptor)
	if !ok {
		return nobody
	}
	return statedRule(m)
}

func statedRule(m protoreflect.MethodDescriptor) *accessv1.Rule {
	options := m.Options()
	if options == nil || !proto.HasExtension(options, accessv1.E_Rule) {
		return nobody
	}
	r, ok := proto.GetExtension(options, accessv1.E_Rule).(*accessv1.Rule)
	if !ok || r == nil {
		return nobody
	}
	return r
}

// rules remembers looked-up rules; methods are few and never change.
type rules struct{ known sync.Map }

func (r *rules) of(fullMethod string) *accessv1.Rule {
	if known, ok := r.known.Load(fullMethod); ok {
		return known.(*accessv1.Rule)
	}
	rule := RuleOf(fullMethod)
	r.known.Store(fullMethod, rule)
	return rule
}
